// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"google.golang.org/grpc/codes"
)

const (
	// maxTimeout is the longest wait for a first answer, and P2*CAN,max of ISO 15765-4: how long a control unit that asked for
	// patience (response code 78) may take for each further answer.
	maxTimeout = 5 * time.Second
	// usualTimeout serves a host that states none: twenty times P2CAN,max of ISO 15765-4, for slow links.
	usualTimeout = time.Second
)

func (s *service) SendRequest(ctx context.Context, r *adapterv1beta1.SendRequestRequest) (*adapterv1beta1.SendRequestResponse, error) {
	if err := s.ready(); err != nil {
		return nil, err
	}
	if err := s.offers(adapterv1beta1.Ability_ABILITY_LINK); err != nil {
		return nil, err
	}
	request, err := s.readRequest(r)
	if err != nil {
		return nil, err
	}
	d, err := s.find(r.GetDeviceId())
	if err != nil {
		return nil, err
	}
	answers, err := s.ask(ctx, d, request)
	if err != nil {
		return nil, err
	}
	return answers.message(), nil
}

func (s *service) readRequest(r *adapterv1beta1.SendRequestRequest) (Request, error) {
	request := Request{
		Payload: r.GetPayload(), Target: r.GetTarget(), Timeout: r.GetTimeout().AsDuration(), Expected: int(r.GetExpectedAnswers()),
	}
	if err := s.guard.Check(request.Payload, "device", r.GetDeviceId()); err != nil {
		return request, refuse(codes.PermissionDenied, adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_NOT_READ_ONLY, "%v", err)
	}
	bad := &ConfigurationError{}
	switch {
	case r.GetTimeout() == nil:
		request.Timeout = usualTimeout
	case request.Timeout <= 0 || request.Timeout > maxTimeout:
		bad.Violatef("timeout", "is %v; use more than 0 and at most %v", request.Timeout, maxTimeout)
	}
	if request.Expected < 0 {
		bad.Violatef("expected_answers", "is %d; use 0 for all, or a number", request.Expected)
	}
	if len(bad.Violations) > 0 {
		return request, refusal(codes.InvalidArgument, reason(0), "the request cannot be sent: "+bad.list(), badRequest(bad)).Err()
	}
	return request, nil
}

// ask waits for the device's turn and sends.
func (s *service) ask(ctx context.Context, d *device, request Request) (Answers, error) {
	ctx, stop := s.whileOpen(ctx, d)
	defer stop()
	leave, err := d.turns.enter(ctx, arrivalOf(ctx))
	if err != nil {
		return Answers{}, err
	}
	linker, ok := d.conn.(Linker)
	if !ok {
		leave()
		return Answers{}, errors.New("the connection is no Linker")
	}
	ctx, cancel := context.WithTimeoutCause(ctx, request.Timeout+maxTimeout, ErrSilent)
	defer cancel()
	done := start(s.log, "Request", func() (Answers, error) {
		defer leave()
		// The times that the author left out are taken before the next request may be sent.
		sent := Now()
		answers, err := linker.Request(ctx, request)
		return complete(answers, err, sent, context.Cause(ctx))
	})
	answers, err := await(ctx, s, "Request", done, func(Answers, error) {})
	if errors.Is(err, errLate) {
		return Answers{}, context.Cause(ctx)
	}
	return answers, err
}

// complete puts in what the author left out.
func complete(answers Answers, err error, sent Time, cause error) (Answers, error) {
	now := Now()
	var negative *NegativeResponseError
	switch {
	case errors.As(err, &negative):
		answers.Answers = append(answers.Answers, Answer{Source: negative.Source, Payload: []byte{0x7F, negative.Service, negative.Code}})
	case err != nil && cause != nil && (errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)):
		return answers, cause
	case err != nil:
		return answers, err
	case len(answers.Answers) == 0:
		return answers, ErrSilent
	}
	if answers.Sent == 0 {
		answers.Sent = sent
	}
	answers.Answers = slices.Clone(answers.Answers)
	for i := range answers.Answers {
		a := &answers.Answers[i]
		if len(a.Payload) == 0 {
			return answers, refuse(codes.DataLoss, reasonGarbled, "an answer of control unit %X is empty", a.Source)
		}
		if a.Received == 0 {
			a.Received = now
		}
		if a.Uncertainty == 0 {
			a.Uncertainty = max(a.Received.Sub(answers.Sent), time.Microsecond)
		}
	}
	return answers, nil
}

func (a Answers) message() *adapterv1beta1.SendRequestResponse {
	m := &adapterv1beta1.SendRequestResponse{SentUs: int64(a.Sent)}
	for _, one := range a.Answers {
		m.Answers = append(m.Answers, &adapterv1beta1.Answer{
			Source: one.Source, Payload: one.Payload, ReceivedUs: int64(one.Received), TimeUncertaintyUs: one.Uncertainty.Microseconds(),
		})
	}
	return m
}

// turns lets one at a time in, of those who wait the one whose call came in first. The zero value is free.
type turns struct {
	mu      sync.Mutex
	taken   bool
	waiting []*turn // by arrival
	emptied chan struct{}
}

type turn struct {
	arrival int64
	ready   chan struct{}
}

// enter waits for a turn; leave gives it to the next.
func (t *turns) enter(ctx context.Context, arrival int64) (leave func(), err error) {
	mine := &turn{arrival, make(chan struct{})}
	t.mu.Lock()
	if !t.taken {
		t.taken = true
		t.mu.Unlock()
		return sync.OnceFunc(t.leave), nil
	}
	at, _ := slices.BinarySearchFunc(t.waiting, arrival, func(w *turn, n int64) int { return int(w.arrival - n) })
	t.waiting = slices.Insert(t.waiting, at, mine)
	t.mu.Unlock()
	select {
	case <-mine.ready:
		return sync.OnceFunc(t.leave), nil
	case <-ctx.Done():
	}
	t.mu.Lock()
	at = slices.Index(t.waiting, mine)
	if at >= 0 {
		t.waiting = slices.Delete(t.waiting, at, at+1)
	}
	t.mu.Unlock()
	if at < 0 { // the turn came at the same moment
		t.leave()
	}
	return nil, context.Cause(ctx)
}

func (t *turns) leave() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.waiting) > 0 {
		close(t.waiting[0].ready)
		t.waiting = t.waiting[1:]
		return
	}
	t.taken = false
	if t.emptied != nil {
		close(t.emptied)
		t.emptied = nil
	}
}

// idle gives a channel that is closed when nobody is in; nil if nobody is.
func (t *turns) idle() <-chan struct{} {
	t.mu.Lock()
	defer t.mu.Unlock()
	if !t.taken {
		return nil
	}
	if t.emptied == nil {
		t.emptied = make(chan struct{})
	}
	return t.emptied
}
