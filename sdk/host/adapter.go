// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"sync"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	"google.golang.org/genproto/googleapis/rpc/errdetails"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/host/manifest"
	"github.com/airassay/airassay/sdk/internal/readonly"
)

// State is where an adapter stands.
type State string

// The states.
const (
	// StateIdle: not started yet.
	StateIdle State = "idle"
	// StateStarting: its process is being started and made ready.
	StateStarting State = "starting"
	// StateReady: it can be called.
	StateReady State = "ready"
	// StateBackingOff: it failed and is started again at Status.RetryAt.
	StateBackingOff State = "backing off"
	// StateFailed: it failed for a reason that trying again cannot help; Reset tries again.
	StateFailed State = "failed"
	// StateBroken: it failed too often in a short time; Reset tries again.
	StateBroken State = "broken"
	// StateShutDown: it was shut down, for good.
	StateShutDown State = "shut down"
)

// Status is where an adapter stands, and how it came there.
type Status struct {
	// State it is in.
	State State
	// Since when.
	Since time.Time
	// Failure that came last; nil while there was none. It stays while the adapter is ready again.
	Failure *Failure
	// Failures within the window of Options.Restart.
	Failures int
	// RetryAt is when it is started again; set in StateBackingOff only.
	RetryAt time.Time
	// Starts counts the attempts since the adapter was made.
	Starts int
	// PID is the number of its process; 0 where it is not ready.
	PID int
	// Description is what it says of itself; nil where it is not ready.
	Description *adapterv1beta1.DescribeResponse
}

// Adapter runs one adapter and keeps it running. Safe for concurrent use.
type Adapter struct {
	options   Options
	launcher  *launcher
	guard     readonly.Guard
	temporary string // the folder to remove at the end, or ""

	stop     context.CancelCauseFunc
	stopping context.Context //nolint:containedctx // it is the adapter's life, not that of a call
	finished chan struct{}   // closed when nothing runs any more
	reset    chan struct{}

	mu            sync.Mutex
	begun         bool
	status        Status
	changed       chan struct{}      // closed with the next change
	connection    *Connection        // set in StateReady only
	manifest      *manifest.Manifest // of the next start
	configuration string
	grace         context.Context //nolint:containedctx // of the call of Shutdown
}

// New makes an adapter without starting it. The caller ends it with Shutdown, whether it was started or not.
func New(options Options) (*Adapter, error) {
	if err := options.check(); err != nil {
		return nil, err
	}
	options.fill()
	dir, temporary, err := socketFolder(&options)
	if err != nil {
		return nil, err
	}
	a := &Adapter{
		options: options, finished: make(chan struct{}), reset: make(chan struct{}, 1), changed: make(chan struct{}),
		status: Status{State: StateIdle, Since: time.Now()}, manifest: options.Manifest, configuration: options.Manifest.ConfigurationJSON(),
	}
	a.guard.Log = a.options.Logger
	a.launcher = &launcher{o: &a.options, socketDir: dir, guard: &a.guard}
	a.stopping, a.stop = context.WithCancelCause(context.Background())
	if temporary {
		a.temporary = dir
	}
	return a, nil
}

// Name of the adapter.
func (a *Adapter) Name() string { return a.options.Manifest.Name }

// Start begins to run the adapter, and returns at once. A second call does nothing.
func (a *Adapter) Start() {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.begun || a.stopping.Err() != nil {
		return
	}
	a.begun = true
	go a.supervise()
}

// Status says where the adapter stands.
func (a *Adapter) Status() Status {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.status
}

// Ready waits until the adapter can be called. It fails when the context ends, with ErrShutDown, or with the *Failure
// after which the adapter is not tried again.
func (a *Adapter) Ready(ctx context.Context) (*Connection, error) {
	for {
		a.mu.Lock()
		connection, now, changed := a.connection, a.status, a.changed
		a.mu.Unlock()
		switch {
		case connection != nil:
			return connection, nil
		case now.State == StateShutDown:
			return nil, ErrShutDown
		case now.State == StateFailed || now.State == StateBroken:
			return nil, now.Failure
		}
		select {
		case <-changed:
		case <-ctx.Done():
			if now.Failure != nil {
				return nil, errors.Join(ctx.Err(), now.Failure)
			}
			return nil, ctx.Err()
		}
	}
}

// Connection gives the present run. Where there is none the error is a gRPC status Unavailable that says why, with a
// RetryInfo when the adapter is to be started again.
func (a *Adapter) Connection() (*Connection, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.connection != nil {
		return a.connection, nil
	}
	st := status.Newf(codes.Unavailable, "the adapter %s is %s", a.Name(), a.status.State)
	if f := a.status.Failure; f != nil {
		st = status.Newf(codes.Unavailable, "the adapter %s is %s: %s: %v", a.Name(), a.status.State, f.Reason, f.Err)
	}
	if a.status.State == StateBackingOff {
		wait := durationpb.New(max(0, time.Until(a.status.RetryAt)))
		if detailed, err := st.WithDetails(&errdetails.RetryInfo{RetryDelay: wait}); err == nil {
			st = detailed
		}
	}
	return nil, st.Err()
}

// Configure hands a configuration to the adapter that runs, in place of its manifest's, and keeps it for every later
// start. With validateOnly it is only checked. The error is the adapter's own, or that of Connection.
func (a *Adapter) Configure(ctx context.Context, configurationJSON string, validateOnly bool) error {
	c, err := a.Connection()
	if err != nil {
		return err
	}
	err = configure(ctx, c.Client, configurationJSON, validateOnly)
	if refused, ok := errors.AsType[inWords](err); ok {
		return refused.error
	}
	if err == nil && !validateOnly {
		a.mu.Lock()
		a.configuration = configurationJSON
		a.mu.Unlock()
	}
	return err
}

// Replace makes another manifest, with its configuration, the one of every later start; what runs goes on with the old
// one. The name must be the same.
func (a *Adapter) Replace(m *manifest.Manifest) error {
	if m.Name != a.Name() {
		return fmt.Errorf("the manifest is of %q, expected one of %q", m.Name, a.Name())
	}
	next := a.options
	next.Manifest = m
	if err := next.check(); err != nil {
		return err
	}
	a.mu.Lock()
	a.manifest, a.configuration = m, m.ConfigurationJSON()
	a.mu.Unlock()
	return nil
}

// Reset starts an adapter that is failed, broken or backing off again at once, with its failures forgotten. In any
// other state it does nothing.
func (a *Adapter) Reset() {
	switch a.Status().State {
	case StateFailed, StateBroken, StateBackingOff:
		select {
		case a.reset <- struct{}{}:
		default: // asked for already
		}
	}
}

// Shutdown ends the adapter in an orderly way and, where it does not end, by force; what it has started ends with it. It
// returns when nothing is left. When the context ends, force is used at once. A second call waits for the first.
func (a *Adapter) Shutdown(ctx context.Context) {
	a.mu.Lock()
	if a.grace == nil {
		a.grace = ctx
	}
	a.stop(ErrShutDown)
	if !a.begun {
		a.begun = true
		go a.finish()
	}
	a.mu.Unlock()
	<-a.finished
}

func (a *Adapter) finish() {
	if a.temporary != "" {
		_ = os.RemoveAll(a.temporary) // swept by the next host otherwise
	}
	a.publish(Status{State: StateShutDown}, nil)
	close(a.finished)
}

// publish makes a status the present one. What it does not say is kept.
func (a *Adapter) publish(next Status, connection *Connection) {
	a.mu.Lock()
	next.Since = time.Now()
	if next.Failure == nil && next.State != StateIdle {
		next.Failure = a.status.Failure
	}
	if next.Starts == 0 {
		next.Starts = a.status.Starts
	}
	a.status, a.connection = next, connection
	close(a.changed)
	a.changed = make(chan struct{})
	a.mu.Unlock()
	a.options.OnChange(next)
}

// supervise runs the adapter again and again until it is shut down.
func (a *Adapter) supervise() {
	defer a.finish()
	history := history{rules: a.options.Restart}
	for starts := 1; a.stopping.Err() == nil; starts++ {
		a.publish(Status{State: StateStarting, Starts: starts, Failures: history.count(time.Now())}, nil)
		failure := a.once(&history)
		if a.stopping.Err() != nil {
			return
		}
		now := time.Now()
		history.add(now)
		wait := history.wait(rand.Float64())
		next := Status{State: StateBackingOff, Failure: failure, Failures: history.count(now), RetryAt: now.Add(wait)}
		switch {
		case failure.Reason.Permanent():
			next.State, next.RetryAt = StateFailed, time.Time{}
		case history.tooMany(now):
			next.State, next.RetryAt = StateBroken, time.Time{}
		}
		select {
		case <-a.reset: // it was asked for while nothing was to be reset any more
		default:
		}
		a.publish(next, nil)
		a.pause(next, wait, &history)
	}
}

// once runs the adapter from its start to its death.
func (a *Adapter) once(history *history) *Failure {
	a.mu.Lock()
	options, configuration := a.options, a.configuration
	options.Manifest = a.manifest
	a.mu.Unlock()
	launcher := &launcher{o: &options, socketDir: a.launcher.socketDir, guard: &a.guard}
	c, err := launcher.launch(a.stopping, configuration)
	if err != nil {
		f, _ := errors.AsType[*Failure](err) // launch returns no other
		return f
	}
	a.publish(Status{
		State: StateReady, Failures: history.count(time.Now()), PID: c.PID, Description: c.Description,
	}, c)
	select {
	case <-c.Dead():
		c.close()
	case <-a.stopping.Done():
		a.end(c)
	}
	return c.cause
}

// pause waits for the next attempt: for the time of the backoff, or for a Reset.
func (a *Adapter) pause(next Status, wait time.Duration, history *history) {
	var again <-chan time.Time
	if next.State == StateBackingOff {
		timer := time.NewTimer(wait)
		defer timer.Stop()
		again = timer.C
	}
	select {
	case <-again:
	case <-a.reset:
		history.forget()
	case <-a.stopping.Done():
	}
}

// afterShutdown is how long an adapter has to exit once it has answered Shutdown: 2 seconds by sentence Q1, and a little
// for a busy machine.
const afterShutdown = 2500 * time.Millisecond

// end shuts an adapter down: first it is asked, then it is waited for, then it is killed.
func (a *Adapter) end(c *Connection) {
	defer c.close()
	a.mu.Lock()
	grace := a.grace
	a.mu.Unlock()
	ctx, cancel := context.WithTimeout(grace, a.options.ShutdownTimeout)
	defer cancel()
	if _, err := c.Client.Shutdown(ctx, &adapterv1beta1.ShutdownRequest{}); err != nil {
		a.options.Logger.Warn("the adapter did not shut down in an orderly way and is killed", "adapter", a.Name(), "error", err)
		return
	}
	// It may end its lifeline and still be busy with its hardware.
	ended := c.Dead()
	if c.process != nil {
		ended = c.process.exited
	}
	select {
	case <-ended:
	case <-grace.Done():
	case <-time.After(afterShutdown):
		a.options.Logger.Warn("the adapter answered Shutdown but went on, and is killed", "adapter", a.Name(), "after", afterShutdown)
	}
}
