// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package telemetry

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/metric"
)

// Instruments are the service's own measurements. Units are UCUM's. Every
// method may be called from any number of goroutines, and on nil.
type Instruments struct {
	received   metric.Int64Counter
	dropped    metric.Int64Counter
	evaluation metric.Float64Histogram
	appending  metric.Float64Histogram
	streams    metric.Int64UpDownCounter
}

// durations are the bounds of histograms in seconds: from the commit on a fast
// disk to a whole drive that is judged anew.
var durations = []float64{0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5}

// Instruments makes the instruments; nil where metrics go nowhere.
func (p *Providers) Instruments() (*Instruments, error) {
	if !p.measuring {
		return nil, nil //nolint:nilnil // Nil instruments are silent.
	}
	m := p.metrics.Meter(scope)
	var i Instruments
	var errs [5]error
	i.received, errs[0] = m.Int64Counter("airassay.samples.received", metric.WithUnit("{sample}"),
		metric.WithDescription("Samples that are durable."))
	i.dropped, errs[1] = m.Int64Counter("airassay.samples.dropped", metric.WithUnit("{sample}"),
		metric.WithDescription("Samples of batches that were refused, by the reason of the error."))
	i.evaluation, errs[2] = m.Float64Histogram("airassay.verdict.evaluation.duration", metric.WithUnit("s"),
		metric.WithDescription("Time to conclude a verdict, reading of samples included where they had to be read."),
		metric.WithExplicitBucketBoundaries(durations...))
	i.appending, errs[3] = m.Float64Histogram("airassay.store.append.duration", metric.WithUnit("s"),
		metric.WithDescription("Time from handing batches to the store to their being durable."),
		metric.WithExplicitBucketBoundaries(durations...))
	i.streams, errs[4] = m.Int64UpDownCounter("airassay.streams.open", metric.WithUnit("{stream}"),
		metric.WithDescription("Streams that are open, by method."))
	if err := errors.Join(errs[:]...); err != nil {
		return nil, fmt.Errorf("telemetry: making instruments: %w", err)
	}
	return &i, nil
}

// Received counts samples that have become durable.
func (i *Instruments) Received(ctx context.Context, samples int64) {
	if i != nil {
		i.received.Add(ctx, samples)
	}
}

// Dropped counts samples that were refused. Reason is a word of a short list,
// such as sequence_gap.
func (i *Instruments) Dropped(ctx context.Context, samples int, reason string) {
	if i != nil {
		i.dropped.Add(ctx, int64(samples), metric.WithAttributes(attribute.String("reason", reason)))
	}
}

// Evaluated takes the time that a verdict took.
func (i *Instruments) Evaluated(ctx context.Context, took time.Duration) {
	if i != nil {
		i.evaluation.Record(ctx, took.Seconds())
	}
}

// Appended takes the time that an append took.
func (i *Instruments) Appended(ctx context.Context, took time.Duration) {
	if i != nil {
		i.appending.Record(ctx, took.Seconds())
	}
}

// StreamOpened counts a stream in; StreamClosed counts it out.
func (i *Instruments) StreamOpened(ctx context.Context, method string) { i.stream(ctx, method, 1) }

// StreamClosed counts a stream out.
func (i *Instruments) StreamClosed(ctx context.Context, method string) { i.stream(ctx, method, -1) }

func (i *Instruments) stream(ctx context.Context, method string, by int64) {
	if i != nil {
		i.streams.Add(ctx, by, metric.WithAttributes(attribute.String("rpc.method", method)))
	}
}
