// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package telemetry

import (
	"bytes"
	"compress/gzip"
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	metricspb "go.opentelemetry.io/proto/otlp/collector/metrics/v1"
	"go.uber.org/goleak"
	"google.golang.org/protobuf/proto"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// silence removes the variables that the machine may have.
func silence(t *testing.T) {
	t.Helper()
	for _, pair := range os.Environ() {
		if name, _, _ := strings.Cut(pair, "="); strings.HasPrefix(name, "OTEL_") {
			t.Setenv(name, "")
		}
	}
}

func start(t *testing.T) (*Providers, *Instruments) {
	t.Helper()
	p, err := Start(context.Background(), "airassayd", "v0")
	if err != nil {
		t.Fatal(err)
	}
	i, err := p.Instruments()
	if err != nil {
		t.Fatal(err)
	}
	return p, i
}

func never(string) bool { return false }

func TestSilentUnlessTheEnvironmentAsks(t *testing.T) {
	for name, env := range map[string]map[string]string{
		"nothing set":         {},
		"told to be silent":   {"OTEL_TRACES_EXPORTER": "none", "OTEL_METRICS_EXPORTER": "none", "OTEL_LOGS_EXPORTER": "none", "OTEL_EXPORTER_OTLP_ENDPOINT": "http://127.0.0.1:1"},
		"disabled altogether": {"OTEL_SDK_DISABLED": "true", "OTEL_EXPORTER_OTLP_ENDPOINT": "http://127.0.0.1:1"},
		"only a name":         {"OTEL_SERVICE_NAME": "box"},
	} {
		t.Run(name, func(t *testing.T) {
			silence(t)
			for k, v := range env {
				t.Setenv(k, v)
			}
			p, i := start(t)
			local := slog.DiscardHandler
			if i != nil || p.CallHandler(never) != nil || p.Handler(local) != local {
				t.Error("something is observed")
			}
			i.Received(t.Context(), 1)
			i.Dropped(t.Context(), 1, "x")
			i.Evaluated(t.Context(), time.Second)
			i.Appended(t.Context(), time.Second)
			i.StreamOpened(t.Context(), "x")
			i.StreamClosed(t.Context(), "x")
			if err := p.Shutdown(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestAnExporterThatNobodyKnowsIsAnErrorThatNamesTheVariable(t *testing.T) {
	for _, signal := range []string{"TRACES", "METRICS", "LOGS"} {
		silence(t)
		t.Setenv("OTEL_"+signal+"_EXPORTER", "carrier pigeon")
		if _, err := Start(t.Context(), "airassayd", "v0"); err == nil || !strings.Contains(err.Error(), "OTEL_"+signal+"_EXPORTER") {
			t.Errorf("%s: %v", signal, err)
		}
		t.Setenv("OTEL_"+signal+"_EXPORTER", "")
	}
}

// collector takes what is exported by OTLP over HTTP.
type collector struct {
	*httptest.Server

	mu    sync.Mutex
	paths []string
	last  map[string][]byte
}

func collect(t *testing.T) *collector {
	t.Helper()
	c := &collector{last: map[string][]byte{}}
	c.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if r.Header.Get("Content-Encoding") == "gzip" && err == nil {
			var z *gzip.Reader
			if z, err = gzip.NewReader(bytes.NewReader(body)); err == nil {
				body, err = io.ReadAll(z)
			}
		}
		if err != nil {
			t.Error(err)
		}
		c.mu.Lock()
		defer c.mu.Unlock()
		c.paths = append(c.paths, r.URL.Path)
		c.last[r.URL.Path] = body
		w.Header().Set("Content-Type", "application/x-protobuf")
	}))
	t.Cleanup(c.Close)
	return c
}

func TestWhatIsMeasuredArrivesWithUnitsAndFewAttributes(t *testing.T) {
	silence(t)
	c := collect(t)
	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", c.URL)
	p, i := start(t)
	if p.CallHandler(never) == nil {
		t.Error("calls are not observed")
	}
	i.Received(t.Context(), 50)
	i.Dropped(t.Context(), 3, "sequence_gap")
	i.Evaluated(t.Context(), 20*time.Millisecond)
	i.Appended(t.Context(), time.Millisecond)
	i.StreamOpened(t.Context(), "PushSamples")
	slog.New(p.Handler(slog.DiscardHandler)).Info("ready")
	if err := p.Shutdown(t.Context()); err != nil {
		t.Fatal(err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if !slices.Contains(c.paths, "/v1/metrics") || !slices.Contains(c.paths, "/v1/logs") {
		t.Fatalf("exported to %v", c.paths)
	}
	var got metricspb.ExportMetricsServiceRequest
	if err := proto.Unmarshal(c.last["/v1/metrics"], &got); err != nil {
		t.Fatal(err)
	}
	units := map[string]string{}
	for _, r := range got.GetResourceMetrics() {
		for _, s := range r.GetScopeMetrics() {
			for _, m := range s.GetMetrics() {
				units[m.GetName()] = m.GetUnit()
				for _, point := range append(m.GetSum().GetDataPoints(), m.GetGauge().GetDataPoints()...) {
					if n := len(point.GetAttributes()); n > 1 {
						t.Errorf("%s has %d attributes", m.GetName(), n)
					}
				}
			}
		}
	}
	for name, unit := range map[string]string{
		"airassay.samples.received": "{sample}", "airassay.samples.dropped": "{sample}", "airassay.streams.open": "{stream}",
		"airassay.verdict.evaluation.duration": "s", "airassay.store.append.duration": "s",
	} {
		if got, ok := units[name]; !ok || got != unit {
			t.Errorf("%s has the unit %q, want %q; there are %v", name, got, unit, units)
		}
	}
}
