// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/airassay/airassay/plugins/simulator/link"
)

func TestKeptDriveDiffersFromADrivenOne(t *testing.T) {
	it := itemOn(t, "can_100")
	cache := Cache{Folder: t.TempDir()}
	fresh, err := Simulate(it)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		d, err := cache.Simulate(it)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(d.Recording, fresh.Recording) || !reflect.DeepEqual(d.Truth, fresh.Truth) {
			t.Fatal("the kept drive is another")
		}
	}
	entries, err := os.ReadDir(cache.Folder)
	if err != nil || len(entries) != 1 || entries[0].Name() != it.ID+".drive" {
		t.Errorf("the folder holds %v, %v; want %s.drive alone", entries, err, it.ID)
	}
}

func TestDriveOfAnOlderSimulatorPassesTheCheck(t *testing.T) {
	it := itemOn(t, "kline_6")
	c := it.Draw()
	r := c.Run()
	if !sameDrive(&r, &r.Truth, r.Samples) {
		t.Fatal("a drive differs from itself")
	}
	other := r.Truth
	other.VEFullLoad += 0.01
	if sameDrive(&r, &other, r.Samples) {
		t.Error("another truth passes")
	}
	moved := append([]link.Sample(nil), r.Samples...)
	moved[len(moved)/2].TimeUS++
	if sameDrive(&r, &r.Truth, moved) || sameDrive(&r, &r.Truth, moved[1:]) {
		t.Error("other samples pass")
	}
}

func TestFileOfAnotherCaseIsTaken(t *testing.T) {
	it := itemOn(t, "kline_6")
	c := it.Draw()
	r := c.Run()
	path := filepath.Join(t.TempDir(), "a.drive")
	if err := store(path, 1, &r); err != nil {
		t.Fatal(err)
	}
	if _, _, err := load(path, 2); !errors.Is(err, errOtherCase) {
		t.Errorf("error is %v, want %v", err, errOtherCase)
	}
	truth, samples, err := load(path, 1)
	if err != nil || !sameDrive(&r, &truth, samples) {
		t.Errorf("the drive is not what was kept: %v", err)
	}
}

func TestDamagedFileIsTakenForADrive(t *testing.T) {
	it := itemOn(t, "kline_6")
	c := it.Draw()
	r := c.Run()
	path := filepath.Join(t.TempDir(), "a.drive")
	if err := store(path, 1, &r); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, damaged := range [][]byte{nil, data[:5], data[:len(magic)+4], data[:len(data)/2], append([]byte("x"), data...)} {
		if err := os.WriteFile(path, damaged, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, _, err := load(path, 1); err == nil || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "damaged") {
			t.Errorf("%d bytes: error is %v, want one that names the file as damaged", len(damaged), err)
		}
	}
}

func FuzzUnpackKeptSamples(f *testing.F) {
	f.Add([]byte{1, 3, 2, 4})
	f.Add([]byte{2, 0, 2, 4, 1, 0, 0})
	f.Add([]byte{1, 3, 2, 4, 0}) // More follows than was counted.
	f.Fuzz(func(t *testing.T, data []byte) {
		samples, ok := unpack(data)
		if !ok && samples != nil {
			t.Error("samples of damaged data")
		}
		for _, s := range samples {
			if d := s.Signal.Define(); s.Value < d.Min || s.Value > d.Max {
				t.Errorf("%s is %v", d.Path, s.Value)
			}
		}
	})
}
