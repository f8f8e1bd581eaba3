// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"strings"

	"google.golang.org/grpc/codes"
)

// guard runs an author's method and turns a panic into a defect.
func guard[T any](log *slog.Logger, method string, f func() (T, error)) (value T, err error) {
	defer func() {
		if p := recover(); p != nil {
			log.Error("the adapter panicked", "method", method, "panic", fmt.Sprint(p), "stack", stack())
			err = refuse(codes.Internal, reasonDefect, "%s panicked: %v; the stack is in the adapter's log", method, p)
		}
	}()
	return f()
}

// maxFrames bounds the stack that is logged.
const maxFrames = 32

// stack tells on one line, as a log needs it, where the caller's panic was raised, the innermost function first. What the
// runtime does in between is left out.
func stack() string {
	callers := make([]uintptr, maxFrames)
	const own = 3 // Callers, stack and the deferred function
	frames := runtime.CallersFrames(callers[:runtime.Callers(own, callers)])
	var calls []string
	for {
		f, more := frames.Next()
		if !strings.HasPrefix(f.Function, "runtime.") {
			calls = append(calls, fmt.Sprintf("%s at %s:%d", f.Function, f.File, f.Line))
		}
		if !more {
			return strings.Join(calls, ", called by ")
		}
	}
}

type outcome[T any] struct {
	value T
	err   error
}

// start runs an author's method beside the caller.
func start[T any](log *slog.Logger, method string, f func() (T, error)) <-chan outcome[T] {
	done := make(chan outcome[T], 1)
	go func() {
		value, err := guard(log, method, f)
		done <- outcome[T]{value, err}
	}()
	return done
}

// errLate marks the error of a call whose method did not return in time.
var errLate = errors.New("the method goes on")

// late is the context's error, and errLate.
type late struct{ error }

func (l late) Unwrap() []error { return []error{l.error, errLate} }

// await waits for an author's method. Once the context has ended the method gets what is left of the contract's second;
// after that the caller goes on without it, with errLate, and afterwards receives what it returns in the end.
func await[T any](ctx context.Context, s *service, method string, done <-chan outcome[T], afterwards func(T, error)) (T, error) {
	select {
	case o := <-done:
		return o.value, o.err
	case <-ctx.Done():
	}
	timer := s.timer(s.patience)
	defer timer.Stop()
	select {
	case o := <-done:
		return o.value, o.err
	case <-timer.C:
	}
	s.log.Error("a method of the adapter goes on although its context has ended", "method", method)
	go func() {
		o := <-done
		afterwards(o.value, o.err)
	}()
	var none T
	return none, late{context.Cause(ctx)}
}
