// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package write_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/write"
)

func TestRowIsOneInstantAndBlankIsNotSampled(t *testing.T) {
	var out bytes.Buffer
	signals := []engine.Signal{engine.EngineSpeed, engine.MAF, engine.ShortTermFuelTrim1, engine.Lambda1}
	samples := []link.Sample{
		{TimeUS: 0, Signal: engine.EngineSpeed, Value: 812.25}, {TimeUS: 31000, Signal: engine.MAF, Value: 3.42},
		{TimeUS: 31000, Signal: engine.ShortTermFuelTrim1, Value: -0.78125}, {TimeUS: 31000, Signal: engine.MAF, Value: 3.5},
		{TimeUS: 62001, Signal: engine.Lambda1, Value: engine.Lambda1.Quantise(1)},
	}
	if err := write.Recording(&out, signals, samples); err != nil {
		t.Fatal(err)
	}
	want := "time_s,EngineSpeed,MAF,ShortTermFuelTrim1,O2WR.Sensor1.Lambda\n" +
		"0.000000,812.25,,,\n0.031000,,3.42,-0.78,\n0.031000,,3.5,,\n0.062001,,,,1.00002\n"
	if got := out.String(); got != want {
		t.Errorf("wrote\n%s\nwant\n%s", got, want)
	}
}

func TestSampleWithoutColumnIsRefusedByName(t *testing.T) {
	err := write.Recording(&bytes.Buffer{}, []engine.Signal{engine.MAF}, []link.Sample{{Signal: engine.EngineSpeed}})
	if err == nil || !strings.Contains(err.Error(), "EngineSpeed") {
		t.Errorf("error is %v, want one that names EngineSpeed", err)
	}
}

func TestJSONSaysWhichFileFailed(t *testing.T) {
	path := filepath.Join(t.TempDir(), "no", "truth.json")
	if err := write.JSON(path, 1); err == nil || !strings.Contains(err.Error(), path) {
		t.Errorf("error is %v, want one that names %s", err, path)
	}
	good := filepath.Join(t.TempDir(), "a.json")
	if err := write.JSON(good, map[string]int{"a": 1}); err != nil {
		t.Fatal(err)
	}
	if data, _ := os.ReadFile(good); string(data) != "{\n  \"a\": 1\n}\n" {
		t.Errorf("wrote %q", data)
	}
}
