// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package push

import (
	"context"

	"google.golang.org/grpc"
)

// Call makes a call until it succeeds, is refused for good, or the server has been away for
// o.Wait. Every attempt sends the same request: a method that creates something needs a
// request id in it, which tells the server a repeat from a second wish. Errors are as for [Repeat].
func Call[Request, Response any](ctx context.Context, o Options, method func(context.Context, Request, ...grpc.CallOption) (Response, error), request Request) (Response, error) {
	var response Response
	err := Repeat(ctx, o, func(ctx context.Context) (err error) {
		response, err = method(ctx, request)
		return err
	})
	return response, err
}

// Repeat does something that may be done again, until it succeeds, fails for good, or the server has
// been away for o.Wait. Each attempt has o.Answer for itself.
//
// Errors are those of gRPC, with a status; *[UnreachableError]; the cause of ctx; or what do itself
// gives: an error that is not of gRPC is for good.
func Repeat(ctx context.Context, o Options, do func(context.Context) error) error {
	o = o.withDefaults()
	p := newPatience(o.Wait)
	for {
		err := within(ctx, o, do)
		if err == nil {
			if p.away() > 0 {
				o.Notify(Event{Away: p.away()})
			}
			return nil
		}
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		pause, gaveUp := p.failed(err)
		if gaveUp != nil {
			return gaveUp
		}
		o.Notify(Event{Lost: err, Pause: pause, Away: p.away()})
		if err := sleep(ctx, pause); err != nil {
			return err
		}
	}
}

func within(ctx context.Context, o Options, do func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, o.Answer)
	defer cancel()
	return do(ctx)
}
