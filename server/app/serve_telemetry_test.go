// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
)

func TestAServiceIsWatchedByTheStandardVariables(t *testing.T) {
	var mu sync.Mutex
	exported := map[string]string{}
	collector := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
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
		mu.Lock()
		defer mu.Unlock()
		exported[r.URL.Path] += string(body)
	}))
	defer collector.Close()
	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", collector.URL)
	s := serveHere(t)
	opened := s.session().GetName()
	c := s.capture(opened).GetName()
	s.pushAll(c, batch(1, 50))
	p := must(s.open(s.context(), c, 0))(t)
	p.push(batch(3, 50))
	_ = p.await(3) // It is refused, which another test looks at.
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	mu.Lock()
	defer mu.Unlock()
	for path, wants := range map[string][]string{
		"/v1/traces":  {"airassay.v1beta1.SessionService/CreateSession"},
		"/v1/metrics": {"airassay.samples.received", "airassay.samples.dropped", "sequence_gap", "airassay.store.append.duration", "airassay.streams.open", "rpc.server.call.duration"},
		"/v1/logs":    {"ready", "/airassay.v1beta1.SessionService/PushSamples"},
	} {
		for _, want := range wants {
			if !strings.Contains(exported[path], want) {
				t.Errorf("%s lacks %s", path, want)
			}
		}
	}
	if strings.Contains(exported["/v1/traces"], "PushSamples") {
		t.Error("a stream that lasts as long as a drive is one span")
	}
	if id := strings.TrimPrefix(opened, "sessions/"); strings.Contains(exported["/v1/metrics"], id) {
		t.Error("a metric names a session")
	}
}
