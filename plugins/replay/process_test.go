// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/sdk/host/manifest"
)

// A host starts the adapter from a manifest as README.md shows it and plays a whole drive.
func TestProcessPlaysDifferently(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a process")
	}
	program, err := os.ReadFile(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	m := &manifest.Manifest{
		Name: Name, Version: Version, Executable: "replayadapter", Arguments: []string{roleArgument}, ProtocolVersions: host.Versions(),
		Configuration: json.RawMessage(configure(t, drives, `"speed": "max"`)), Dir: filepath.Join(t.TempDir(), Name),
	}
	if err := errors.Join(os.Mkdir(m.Dir, 0o700), os.WriteFile(m.Path(m.Executable), program, 0o700), m.Seal(), m.Write()); err != nil {
		t.Fatal(err)
	}
	log := &lines{}
	h, err := host.New(host.Options{Manifest: m, Logger: slog.New(adapter.NewLogHandler(log, slog.LevelDebug))})
	if err != nil {
		t.Fatal(err)
	}
	h.Start()
	defer h.Shutdown(context.Background())
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	c, err := h.Ready(ctx)
	if err != nil {
		t.Fatalf("%v\n%s", err, log)
	}
	rec := van(t)
	b := &bench{AdapterServiceClient: c.Client, t: t, log: log}
	for range 2 {
		b.mustOpen("van")
		began := time.Now()
		l := b.feed(wants("van", paths(rec)...))
		l.untilOver()
		took := time.Since(began)
		same(t, l.samples, rec, rec.Samples)
		t.Logf("%d samples came from the process in %v: %.0f samples/s", len(l.samples), took, float64(len(l.samples))/took.Seconds())
		b.mustClose("van")
	}
	if _, err := b.CloseDevice(t.Context(), &adapterv1beta1.CloseDeviceRequest{DeviceId: "van"}); err != nil {
		t.Error(err)
	}
	log.await(t, "the recording is over")
}
