// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package telemetry lets an operator watch the service: traces, metrics and
// logs by OpenTelemetry, asked for by the standard OTEL_* environment
// variables and silent without them. A box in a car has no collector beside it,
// so that the library's own default, a collector on this machine, would only
// fill its log with refused connections.
//
// What is measured has few attributes, and none that names a session, a vehicle
// or a peer: a metric's cost grows with the number of its attribute sets.
package telemetry

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"

	"go.opentelemetry.io/contrib/bridges/otelslog"
	"go.opentelemetry.io/contrib/exporters/autoexport"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/log"
	lognoop "go.opentelemetry.io/otel/log/noop"
	"go.opentelemetry.io/otel/metric"
	metricnoop "go.opentelemetry.io/otel/metric/noop"
	"go.opentelemetry.io/otel/propagation"
	sdklog "go.opentelemetry.io/otel/sdk/log"
	sdkmetric "go.opentelemetry.io/otel/sdk/metric"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	tracenoop "go.opentelemetry.io/otel/trace/noop"
	"google.golang.org/grpc/stats"
)

// scope names who measures.
const scope = "github.com/airassay/airassay"

// Providers are where traces, metrics and logs go. Start makes them; the zero
// value is not usable, Silent is.
type Providers struct {
	traces  trace.TracerProvider
	metrics metric.MeterProvider
	logs    log.LoggerProvider

	tracing, measuring, logging bool
	shutdown                    []func(context.Context) error
}

// Silent goes nowhere.
func Silent() *Providers {
	return &Providers{traces: tracenoop.NewTracerProvider(), metrics: metricnoop.NewMeterProvider(), logs: lognoop.NewLoggerProvider()}
}

// Start makes the providers that the environment asks for. Service and version
// name this program in all of them unless OTEL_SERVICE_NAME or
// OTEL_RESOURCE_ATTRIBUTES say otherwise. An error names the variable family
// that cannot be used. Shutdown must follow.
func Start(ctx context.Context, service, version string) (*Providers, error) {
	p := Silent()
	if strings.EqualFold(os.Getenv("OTEL_SDK_DISABLED"), "true") || !wanted("TRACES") && !wanted("METRICS") && !wanted("LOGS") {
		return p, nil
	}
	about, err := resource.New(ctx,
		resource.WithAttributes(attribute.String("service.name", service), attribute.String("service.version", version)),
		resource.WithTelemetrySDK(), resource.WithFromEnv())
	if err != nil {
		return nil, fmt.Errorf("telemetry: OTEL_RESOURCE_ATTRIBUTES: %w", err)
	}
	for _, start := range []func(context.Context, *resource.Resource) error{p.startTraces, p.startMetrics, p.startLogs} {
		if err := start(ctx, about); err != nil {
			return nil, errors.Join(err, p.Shutdown(ctx))
		}
	}
	return p, nil
}

// wanted reports whether the environment asks for one of TRACES, METRICS and
// LOGS: by naming its exporter, or an endpoint to export to.
func wanted(signal string) bool {
	exporter := os.Getenv("OTEL_" + signal + "_EXPORTER")
	if exporter != "" {
		return exporter != "none"
	}
	for _, name := range []string{
		"OTEL_EXPORTER_OTLP_ENDPOINT", "OTEL_EXPORTER_OTLP_PROTOCOL",
		"OTEL_EXPORTER_OTLP_" + signal + "_ENDPOINT", "OTEL_EXPORTER_OTLP_" + signal + "_PROTOCOL",
	} {
		if os.Getenv(name) != "" {
			return true
		}
	}
	return false
}

func (p *Providers) startTraces(ctx context.Context, about *resource.Resource) error {
	if !wanted("TRACES") {
		return nil
	}
	exporter, err := autoexport.NewSpanExporter(ctx)
	if err != nil {
		return fmt.Errorf("telemetry: OTEL_TRACES_EXPORTER and OTEL_EXPORTER_OTLP_*: %w", err)
	}
	provider := sdktrace.NewTracerProvider(sdktrace.WithBatcher(exporter), sdktrace.WithResource(about))
	p.traces, p.tracing = provider, true
	p.shutdown = append(p.shutdown, provider.Shutdown)
	return nil
}

func (p *Providers) startMetrics(ctx context.Context, about *resource.Resource) error {
	if !wanted("METRICS") {
		return nil
	}
	reader, err := autoexport.NewMetricReader(ctx)
	if err != nil {
		return fmt.Errorf("telemetry: OTEL_METRICS_EXPORTER and OTEL_EXPORTER_OTLP_*: %w", err)
	}
	provider := sdkmetric.NewMeterProvider(sdkmetric.WithReader(reader), sdkmetric.WithResource(about))
	p.metrics, p.measuring = provider, true
	p.shutdown = append(p.shutdown, provider.Shutdown)
	return nil
}

func (p *Providers) startLogs(ctx context.Context, about *resource.Resource) error {
	if !wanted("LOGS") {
		return nil
	}
	exporter, err := autoexport.NewLogExporter(ctx)
	if err != nil {
		return fmt.Errorf("telemetry: OTEL_LOGS_EXPORTER and OTEL_EXPORTER_OTLP_*: %w", err)
	}
	provider := sdklog.NewLoggerProvider(sdklog.WithProcessor(sdklog.NewBatchProcessor(exporter)), sdklog.WithResource(about))
	p.logs, p.logging = provider, true
	p.shutdown = append(p.shutdown, provider.Shutdown)
	return nil
}

// Shutdown exports what is left, at most until ctx ends, and stops. A second
// call does nothing.
func (p *Providers) Shutdown(ctx context.Context) error {
	var errs []error
	for _, stop := range p.shutdown {
		errs = append(errs, stop(ctx))
	}
	p.shutdown = nil
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("telemetry: the rest could not be exported: %w", err)
	}
	return nil
}

// Handler adds the export of logs to a handler, where it was asked for.
func (p *Providers) Handler(local slog.Handler) slog.Handler {
	if !p.logging {
		return local
	}
	return slog.NewMultiHandler(local, otelslog.NewHandler(scope, otelslog.WithLoggerProvider(p.logs)))
}

// CallHandler observes calls of a gRPC server, or is nil where nobody asked for
// that: even a handler that goes nowhere costs a tenth of a stream's speed.
// Methods that long reports true for are left out: one span of an hour tells
// nothing, and is lost with the process. Instruments count open streams.
func (p *Providers) CallHandler(long func(fullMethod string) bool) stats.Handler {
	if !p.tracing && !p.measuring {
		return nil
	}
	return otelgrpc.NewServerHandler(
		otelgrpc.WithTracerProvider(p.traces),
		otelgrpc.WithMeterProvider(p.metrics),
		otelgrpc.WithPropagators(propagation.NewCompositeTextMapPropagator(propagation.TraceContext{}, propagation.Baggage{})),
		otelgrpc.WithFilter(func(i *stats.RPCTagInfo) bool { return !long(i.FullMethodName) }),
	)
}
