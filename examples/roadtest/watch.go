// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/examples/roadtest/push"
)

// patient is how long a watch waits for the server: longer than any push does, which is
// the one that gives up.
const patient = 24 * time.Hour

// comeBack is the longest pause before a stream that broke is opened again.
const comeBack = 500 * time.Millisecond

// watch shows how far the drive has come until the session is closed or ctx ends. It never
// holds the push up: a stream that breaks is opened again, and the first state
// on it is the whole state.
func (r *roadtest) watch(ctx context.Context, session string) {
	quiet := push.Options{Wait: patient, Answer: patient}
	for {
		ended, err := r.watchOnce(ctx, quiet, session)
		if ended || ctx.Err() != nil {
			return
		}
		if err != nil {
			r.show.Notef("the progress of the drive is not shown any more: %v", err)
			return
		}
		// The stream broke in the middle. Not all watchers of a server come back in the same instant.
		select {
		case <-ctx.Done():
		case <-time.After(time.Duration(rand.Int64N(int64(comeBack)))):
		}
	}
}

// watchOnce shows the states of one stream, and tells whether the session is closed. A stream that
// breaks after its first state is no failure: the next one starts with fresh patience.
func (r *roadtest) watchOnce(ctx context.Context, o push.Options, session string) (ended bool, err error) {
	err = push.Repeat(ctx, o, func(ctx context.Context) error {
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		stream, err := r.sessions.WatchProgress(ctx, &pb.WatchProgressRequest{Session: session})
		if err != nil {
			return err
		}
		for shown := false; ; shown = true {
			state, err := stream.Recv()
			switch {
			case errors.Is(err, io.EOF):
				ended = true
				return nil
			case err != nil && shown:
				return nil
			case err != nil:
				return err
			}
			r.show.Progress(state.GetProgress())
		}
	})
	return ended, err
}
