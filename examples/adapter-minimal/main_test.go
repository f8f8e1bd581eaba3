// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"strings"
	"testing"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/adapter"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

const role = "ADAPTER_MINIMAL_ROLE"

func TestMain(m *testing.M) {
	if os.Getenv(role) != "" {
		main()
	}
	os.Exit(m.Run())
}

func dial(t *testing.T) adapterv1beta1.AdapterServiceClient {
	t.Helper()
	conn, stop, err := adapter.Local(&swing{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(stop)
	return adapterv1beta1.NewAdapterServiceClient(conn)
}

// Who follows the tutorial types exactly the program that is compiled here.
func TestTutorialIsTheProgram(t *testing.T) {
	page, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	source, err := os.ReadFile("main.go")
	if err != nil {
		t.Fatal(err)
	}
	var blocks []string
	for _, part := range strings.Split(string(page), "```go\n")[1:] {
		block, _, _ := strings.Cut(part, "```")
		blocks = append(blocks, block)
	}
	_, program, _ := strings.Cut(string(source), "Apache-2.0\n\n")
	if got := strings.Join(blocks, "\n"); got != program {
		t.Errorf("the code blocks of README.md make\n%s\nand main.go is\n%s", got, program)
	}
}

func TestSamplesArrive(t *testing.T) {
	api := dial(t)
	if _, err := api.Configure(t.Context(), &adapterv1beta1.ConfigureRequest{ConfigurationJson: `{"mean_g_per_s": 40}`}); err != nil {
		t.Fatal(err)
	}
	if _, err := api.OpenDevice(t.Context(), &adapterv1beta1.OpenDeviceRequest{DeviceId: "box-1"}); err != nil {
		t.Fatal(err)
	}
	feed, err := api.Feed(t.Context())
	if err == nil {
		err = feed.Send(&adapterv1beta1.FeedRequest{DeviceId: "box-1", Signals: []*adapterv1beta1.WantedSignal{{Path: airFlow}}})
	}
	if err != nil {
		t.Fatal(err)
	}
	for samples := 0; samples < 5; {
		m, err := feed.Recv()
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range m.GetBatch().GetValue() {
			if samples++; v < 20 || v > 60 {
				t.Errorf("%v g/s, want 20 to 60", v)
			}
		}
	}
}

func TestBadConfigurationIsRefused(t *testing.T) {
	for _, bad := range []string{`{"mean_g_per_s": 0}`, `{"mean": 20}`, `[]`} {
		_, err := dial(t).Configure(t.Context(), &adapterv1beta1.ConfigureRequest{ConfigurationJson: bad})
		if status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v", bad, err)
		}
	}
}

func TestDescribeFlag(t *testing.T) {
	var errs bytes.Buffer
	cmd := exec.Command(os.Args[0], "--describe")
	cmd.Env, cmd.Stderr = append(os.Environ(), role+"=adapter"), &errs
	out, err := cmd.Output()
	var about struct {
		Name string `json:"name"`
	}
	if err != nil || json.Unmarshal(out, &about) != nil || about.Name != "minimal" {
		t.Errorf("%v: %s%s", err, out, errs.Bytes())
	}
}
