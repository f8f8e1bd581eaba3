// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/sdk/host/manifest"
)

// A vendor starts an adapter from its folder and asks it for devices.
func Example() { //nolint:testableexamples // it needs an adapter
	m, err := manifest.Load("adapters/bench")
	if err != nil {
		fmt.Println("the manifest cannot be used:", err)
		return
	}
	a, err := host.New(host.Options{Manifest: m, Logger: slog.New(slog.NewTextHandler(os.Stderr, nil))})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer a.Shutdown(context.Background())
	a.Start()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	c, err := a.Ready(ctx)
	if err != nil {
		fmt.Println(err)
		return
	}
	answer, err := c.Client.ListDevices(ctx, &adapterv1beta1.ListDevicesRequest{})
	fmt.Println(answer.GetDevices(), err)
}

// An installer writes the manifest beside the files that make up the adapter.
func Example_install() {
	dir, err := os.MkdirTemp("", "example")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer func() { _ = os.RemoveAll(dir) }()
	m := &manifest.Manifest{
		Name: "bench", Version: "1.0.0", Executable: "adapter", ProtocolVersions: host.Versions(), Dir: filepath.Join(dir, "bench"),
	}
	err = errors.Join(
		os.MkdirAll(m.Dir, 0o700),
		os.WriteFile(m.Path("adapter"), []byte("a program"), 0o700),
		os.WriteFile(m.Path("table.bin"), []byte("a table"), 0o600),
		m.Seal("table.bin"),
		m.Write(),
	)
	all, loading := manifest.LoadAll(dir)
	fmt.Println(err, loading)
	for _, m := range all {
		fmt.Println(m.Name, m.Version, m.ProtocolVersions, len(m.Files))
	}
	// Output:
	// <nil> <nil>
	// bench 1.0.0 [1] 2
}
