// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"

	"google.golang.org/grpc/codes"
)

// guard runs an author's method and turns a panic into a defect.
func guard[T any](log *slog.Logger, method string, f func() (T, error)) (value T, err error) {
	defer func() {
		if p := recover(); p != nil {
			log.Error("the adapter panicked", "method", method, "panic", fmt.Sprint(p), "stack", string(debug.Stack()))
			err = refuse(codes.Internal, reasonDefect, "%s panicked: %v; the stack is in the adapter's log", method, p)
		}
	}()
	return f()
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
