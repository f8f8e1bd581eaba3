// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
)

// layers lists what surrounds every call, outermost first.
func (s *Server) layers() []layer {
	return []layer{s.recovering, s.logging, s.shopping, s.limiting, s.draining, s.mapping, s.validating}
}

// recovering turns a panic of the service into INTERNAL.
func (s *Server) recovering(ctx context.Context, c *call, next func(context.Context) error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = s.panicked(ctx, c.method, p)
		}
	}()
	return next(ctx)
}

// guarded runs part of a call in a goroutine of its own as safely as the call
// itself: a panic there would end the program.
func (s *Server) guarded(ctx context.Context, part string, do func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = s.panicked(ctx, part, p)
		}
	}()
	return do()
}

// panicked counts and logs a panic, with the way to it, and makes a status.
func (s *Server) panicked(ctx context.Context, where string, p any) error {
	s.panics.Add(1)
	st, cause := incident(fmt.Errorf("panic: %v", p))
	id, _ := ctx.Value(requestIDKey{}).(string)
	s.log.LogAttrs(ctx, slog.LevelError, "panic", slog.String("where", where), slog.String("request_id", id),
		slog.String("error", cause.Error()), slog.String("stack", string(debug.Stack())))
	return st.Err()
}

// requestIDHeader carries the id that ties a caller's log to ours.
const requestIDHeader = "x-request-id"

type requestIDKey struct{}

// logging gives each call an id, which the caller may bring and gets back in a
// header, and writes one line when it has ended.
func (s *Server) logging(ctx context.Context, c *call, next func(context.Context) error) error {
	id := requestID(ctx)
	// A call that has no transport under it has no header either; its id is in the log.
	_ = grpc.SetHeader(ctx, metadata.Pairs(requestIDHeader, id))
	ctx = context.WithValue(ctx, requestIDKey{}, id)
	start := time.Now()
	err := next(ctx)
	code := status.Code(err)
	level := levelOf(code)
	if !s.log.Enabled(ctx, level) {
		return err
	}
	attrs := []slog.Attr{
		slog.String("method", c.method), slog.String("code", code.String()),
		slog.Float64("took_s", time.Since(start).Seconds()), slog.String("request_id", id),
	}
	if p, ok := peer.FromContext(ctx); ok {
		attrs = append(attrs, slog.String("peer", p.Addr.String()))
	}
	if c.stream {
		attrs = append(attrs, slog.Int64("received", c.received.Load()), slog.Int64("sent", c.sent.Load()))
	}
	if err != nil {
		attrs = append(attrs, slog.String("error", status.Convert(err).Message()))
	}
	s.log.LogAttrs(ctx, level, "call", attrs...)
	return err
}

// levelOf makes what an operator must act on stand out.
func levelOf(code codes.Code) slog.Level {
	switch code {
	case codes.Internal, codes.Unknown, codes.DataLoss:
		return slog.LevelError
	case codes.Unavailable, codes.ResourceExhausted:
		return slog.LevelWarn
	}
	return slog.LevelInfo
}

// maxRequestID is room for a UUID or a trace's id with a prefix.
const maxRequestID = 64

// requestID is the caller's, where it is one word that no log line breaks on.
func requestID(ctx context.Context) string {
	if given := metadata.ValueFromIncomingContext(ctx, requestIDHeader); len(given) == 1 && len(given[0]) <= maxRequestID && given[0] != "" {
		if strings.IndexFunc(given[0], notInRequestID) < 0 {
			return given[0]
		}
	}
	return rand.Text()
}

func notInRequestID(r rune) bool {
	return (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && (r < '0' || r > '9') && r != '-' && r != '_' && r != '.'
}

type shopKey struct{}

// shopping finds the shop that the caller belongs to.
func (s *Server) shopping(ctx context.Context, _ *call, next func(context.Context) error) error {
	shop, err := s.shop(ctx)
	if err != nil {
		st, cause := statusOf(ctx, err)
		s.tellOperator(ctx, cause)
		return st.Err()
	}
	return next(context.WithValue(ctx, shopKey{}, shop))
}

// shopOf is the shop of the call.
func shopOf(ctx context.Context) string {
	shop, _ := ctx.Value(shopKey{}).(string)
	return shop
}

// limiting bounds the streams of all callers together.
func (s *Server) limiting(ctx context.Context, c *call, next func(context.Context) error) error {
	if !c.stream {
		return next(ctx)
	}
	defer s.streams.Add(-1)
	if s.streams.Add(1) > int64(s.limits.Streams) {
		return detailed(refuse(pb.ErrorReason_ERROR_REASON_TOO_MANY_STREAMS,
			fmt.Sprintf("%d streams are open, and the server takes no more; close some or come back after the delay", s.limits.Streams))).Err()
	}
	name := c.method[strings.LastIndexByte(c.method, '/')+1:]
	s.instruments.StreamOpened(ctx, name)
	defer s.instruments.StreamClosed(ctx, name)
	return next(ctx)
}

// draining ends streams when the server goes down. Other calls are short and
// may end by themselves.
func (s *Server) draining(ctx context.Context, c *call, next func(context.Context) error) error {
	if !c.stream {
		return next(ctx)
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	stop := context.AfterFunc(s.down, func() { cancel(errGoingDown) }) //nolint:contextcheck // The server's life ends the call.
	defer stop()
	return next(ctx)
}

// own is the part of all methods that is ours; health and reflection are not.
const own = "/airassay."

// validating holds each message of ours to the rules in its definition.
func (s *Server) validating(ctx context.Context, c *call, next func(context.Context) error) error {
	if !strings.HasPrefix(c.method, own) {
		return next(ctx)
	}
	if c.stream {
		c.onReceive = append(c.onReceive, s.validate)
		return next(ctx)
	}
	if err := s.validate(c.request); err != nil {
		return err
	}
	return next(ctx)
}

// validate gives what breaks a rule as the domain does.
func (s *Server) validate(m proto.Message) error {
	err := s.validator.Validate(m)
	var broken *protovalidate.ValidationError
	switch {
	case err == nil:
		return nil
	case !errors.As(err, &broken):
		return fmt.Errorf("validating %s: %w", m.ProtoReflect().Descriptor().FullName(), err)
	}
	e := refuse(pb.ErrorReason_ERROR_REASON_INVALID_FIELD, "")
	for i, v := range broken.Violations {
		if i == maxViolations {
			break
		}
		e.Violations = append(e.Violations, session.Violation{
			Field: protovalidate.FieldPathString(v.Proto.GetField()), Description: describe(v),
		})
	}
	return e
}

// describe says of a resource name what it must look like; of other fields the rule's own message says it.
func describe(v *protovalidate.Violation) string {
	if v.Proto.GetRuleId() == "string.pattern" {
		if form := nameForm(v.RuleValue.String()); form != "" {
			return "must be a name such as " + form
		}
	}
	return v.Proto.GetMessage()
}

// nameForm turns the pattern of a resource name into what AIP-122 calls its pattern: ^sessions/[a-z0-9]{1,40}$ into
// sessions/{session}. It is empty for what is no name.
func nameForm(pattern string) string {
	segments := strings.Split(strings.Trim(pattern, "^$"), "/")
	if len(segments) < 2 || len(segments)%2 != 0 {
		return ""
	}
	all := ""
	for i := 0; i < len(segments); i += 2 {
		collection := segments[i]
		if collection == "" || strings.Trim(collection, "abcdefghijklmnopqrstuvwxyz") != "" {
			return ""
		}
		if strings.Contains(segments[i+1], "|-") {
			all = " or, for all, " + collection + "/-"
		}
		segments[i+1] = "{" + strings.TrimSuffix(collection, "s") + "}"
	}
	return strings.Join(segments, "/") + all
}

// mapping makes a status of what the service returned.
func (s *Server) mapping(ctx context.Context, _ *call, next func(context.Context) error) error {
	err := next(ctx)
	if err == nil {
		return nil
	}
	st, cause := statusOf(ctx, err)
	s.tellOperator(ctx, cause)
	return st.Err()
}

// tellOperator logs what no caller may know.
func (s *Server) tellOperator(ctx context.Context, cause error) {
	if cause == nil {
		return
	}
	id, _ := ctx.Value(requestIDKey{}).(string)
	s.log.LogAttrs(ctx, slog.LevelError, "call failed", slog.String("error", cause.Error()), slog.String("request_id", id))
}
