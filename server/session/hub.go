// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/store"
)

const (
	// assessEvery is the least time between two assessments of a watched session: progress is
	// delivered at most ten times a second.
	assessEvery = 100 * time.Millisecond
	// assessShare bounds what a watched session may cost on a slow machine: one eighth of a core.
	assessShare = 8
	// verdictsEach of any verdictWindow is the most verdicts that are delivered. verdictsKept of the places are kept for
	// what cannot wait, a change that matters: it is on its way at once. The others, which only count on, come every half
	// second. With a single kept place, the second of two changes in one second came a third of a second late.
	verdictsEach  = 4
	verdictsKept  = 2
	verdictWindow = time.Second
	verdictEvery  = verdictWindow / (verdictsEach - verdictsKept)
)

// hub tells those who watch a session what is new. One goroutine, the pump, works while somebody
// watches; writers only leave a note for it.
type hub struct {
	live *live
	note atomic.Pointer[chan struct{}] // Of the pump, nil while nobody watches.

	mu       sync.Mutex
	watchers map[*watcher]struct{}
	stop     context.CancelFunc // Of the pump.
	last     *state             // What was told last; nil before the first.
}

// state is what watchers are told.
type state struct {
	progress *pb.SessionProgress
	held     bool
	verdict  *pb.Verdict
	closed   bool
	version  int64
}

// watcher waits for states of one kind. It holds the newest that was not taken.
type watcher struct {
	verdicts bool

	mu      sync.Mutex
	next    *state
	newest  *state // That was offered.
	err     error
	dropped int64
	ready   chan struct{}
}

func (w *watcher) offer(s *state) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if s == w.newest {
		return
	}
	if w.next != nil {
		w.dropped++
	}
	w.next, w.newest = s, s
	signal(w.ready)
}

func (w *watcher) fail(err error) {
	w.mu.Lock()
	w.err = err
	w.mu.Unlock()
	signal(w.ready)
}

// take waits for a state, and tells how many were missed since the one before.
func (w *watcher) take(ctx context.Context, stop <-chan struct{}) (*state, int64, error) {
	for {
		w.mu.Lock()
		s, dropped, err := w.next, w.dropped, w.err
		w.next, w.dropped = nil, 0
		w.mu.Unlock()
		switch {
		case s != nil:
			return s, dropped, nil
		case err != nil:
			return nil, 0, err
		}
		select {
		case <-w.ready:
		case <-ctx.Done():
			return nil, 0, ctx.Err()
		case <-stop:
			return nil, 0, goingDown()
		}
	}
}

// watched reports whether somebody watches.
func (h *hub) watched() bool { return h.note.Load() != nil }

// poke tells the pump that something is new. It never waits.
func (h *hub) poke() {
	if note := h.note.Load(); note != nil {
		signal(*note)
	}
}

// join adds a watcher and gives it the current state at once, where there is one. The caller holds the session in memory.
func (h *hub) join(verdicts bool) *watcher {
	w := &watcher{verdicts: verdicts, ready: make(chan struct{}, 1)}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.watchers == nil {
		h.watchers = make(map[*watcher]struct{})
	}
	h.watchers[w] = struct{}{}
	if h.stop == nil {
		h.start()
	} else if h.last != nil {
		w.offer(h.last)
	}
	return w
}

// start starts the pump; the caller holds mu, and a task of the manager.
func (h *hub) start() {
	ctx, cancel := context.WithCancel(h.live.m.ctx)
	note := make(chan struct{}, 1)
	signal(note)
	h.stop, h.last = cancel, nil
	h.note.Store(&note)
	l := h.live.m.acquire(h.live.key) // The same, once more.
	h.live.m.tasks.Go(func() {
		defer l.release()
		p := pump{hub: h, note: note}
		if err := p.run(ctx); err != nil {
			h.fail(ctx, err)
		}
	})
}

func (h *hub) leave(w *watcher) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.watchers, w)
	if len(h.watchers) == 0 {
		h.end()
	}
}

// end stops the pump; the caller holds mu.
func (h *hub) end() {
	if h.stop != nil {
		h.stop()
		h.stop, h.last = nil, nil
		h.note.Store(nil)
	}
}

// tell gives a state to the watchers. A pump that was stopped tells nothing any more.
func (h *hub) tell(ctx context.Context, s *state, progress, verdicts bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if ctx.Err() != nil {
		return
	}
	h.last = s
	for w := range h.watchers {
		if w.verdicts && verdicts || !w.verdicts && progress {
			w.offer(s)
		}
	}
}

func (h *hub) fail(ctx context.Context, err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if ctx.Err() != nil {
		return
	}
	for w := range h.watchers {
		w.fail(err)
	}
	h.end()
}

// pump makes the states of one session while it is watched.
type pump struct {
	hub  *hub
	note chan struct{}

	told     *state // The verdict that was delivered last.
	when     [verdictsEach]time.Time
	whenNext int
	early    [verdictsKept]time.Time // When the places that are kept for what is urgent were used, the latest first.
	owed     *state                  // A verdict that waits for its time.
}

// run works until ctx ends or the session is closed; then it has told everything and ends
// without error, and the hub keeps the last state for those who come later.
func (p *pump) run(ctx context.Context) error {
	version := int64(-1)
	var pause time.Duration
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		if err := p.wait(ctx, timer, pause); err != nil {
			return nil
		}
		start := time.Now()
		s, err := p.hub.live.state(ctx, version)
		if err != nil {
			return err
		}
		if s != nil {
			version = s.version
			p.deliver(ctx, s, time.Now())
			if s.closed {
				return nil
			}
		} else {
			p.deliverOwed(ctx, time.Now())
		}
		pause = max(assessEvery, assessShare*time.Since(start))
	}
}

// wait waits for the pause, then for a note or until a verdict is due.
func (p *pump) wait(ctx context.Context, timer *time.Timer, pause time.Duration) error {
	timer.Reset(pause)
	select {
	case <-timer.C:
	case <-ctx.Done():
		return ctx.Err()
	}
	var due <-chan time.Time
	if p.owed != nil {
		timer.Reset(time.Until(p.place(matters(p.told, p.owed))))
		due = timer.C
	}
	select {
	case <-p.note:
	case <-due:
	case <-ctx.Done():
		return ctx.Err()
	}
	return nil
}

// place is when a verdict may be delivered, in a place that is kept for what is urgent or in the next of the others.
func (p *pump) place(urgent bool) time.Time {
	last, oldest := p.when[(p.whenNext+verdictsEach-1)%verdictsEach], p.when[p.whenNext]
	at := last.Add(verdictEvery)
	if kept := p.early[verdictsKept-1].Add(verdictWindow); urgent && kept.Before(at) {
		at = kept
	}
	if window := oldest.Add(verdictWindow); window.After(at) {
		at = window
	}
	return at
}

func (p *pump) deliver(ctx context.Context, s *state, now time.Time) {
	if s.closed || !p.place(matters(p.told, s)).After(now) {
		p.delivered(s, now)
		p.hub.tell(ctx, s, true, true)
		return
	}
	p.owed = s
	p.hub.tell(ctx, s, true, false)
}

// deliverOwed delivers the verdict that was kept back, now that nothing new has come.
func (p *pump) deliverOwed(ctx context.Context, now time.Time) {
	if p.owed == nil || p.place(matters(p.told, p.owed)).After(now) {
		return
	}
	s := p.owed
	p.delivered(s, now)
	p.hub.tell(ctx, s, false, true)
}

// delivered remembers that a verdict was delivered.
func (p *pump) delivered(s *state, now time.Time) {
	if now.Before(p.place(false)) {
		copy(p.early[1:], p.early[:])
		p.early[0] = now
	}
	p.told, p.owed = s, nil
	p.when[p.whenNext] = now
	p.whenNext = (p.whenNext + 1) % verdictsEach
}

// matters reports whether more has changed between two verdicts than the figures.
func matters(before, after *state) bool {
	if before == nil {
		return true
	}
	return gistOf(before.verdict.GetAssessment()) != gistOf(after.verdict.GetAssessment())
}

// gist is what a technician would notice.
type gist struct {
	manoeuvres, used, gaps, advice, distrusted int
	conclusive                                 bool
	leader                                     pb.Condition
	action                                     pb.AdviceAction
	drive                                      pb.ManoeuvreKind
	inspection                                 pb.Inspection
}

func gistOf(a *pb.Assessment) gist {
	g := gist{
		manoeuvres: len(a.GetManoeuvres()), gaps: len(a.GetGaps()), advice: len(a.GetAdvice()),
		distrusted: len(a.GetDistrustedSignals()), conclusive: a.GetConclusive(),
	}
	for _, m := range a.GetManoeuvres() {
		if m.GetUsed() {
			g.used++
		}
	}
	if c := a.GetConditions(); len(c) > 0 {
		g.leader = c[0].GetCondition()
	}
	if d := a.GetAdvice(); len(d) > 0 {
		g.action, g.drive, g.inspection = d[0].GetAction(), d[0].GetManoeuvre(), d[0].GetInspection()
	}
	return g
}

// state is what there is to tell now; nil where nothing has changed since a version.
func (l *live) state(ctx context.Context, since int64) (*state, error) {
	l.mu.Lock()
	version := l.version
	l.mu.Unlock()
	if version == since {
		return nil, nil //nolint:nilnil // nothing is new
	}
	s, err := l.stored(ctx)
	if err != nil {
		return nil, err
	}
	if s.GetState() == pb.SessionState_SESSION_STATE_CLOSED {
		return l.lastState(ctx, s)
	}
	o, err := l.assess(ctx)
	if err != nil {
		return nil, err
	}
	out := &state{version: o.version, verdict: &pb.Verdict{Assessment: o.assessment}}
	out.progress, out.held = progressOf(o.assessment, o.latest, confirmed(o.session))
	return out, nil
}

func confirmed(s *pb.Session) bool {
	return s.GetSecondPersonConfirmed() || s.GetDynamometerConfirmed()
}

// lastState is that of a closed session.
func (l *live) lastState(ctx context.Context, s *pb.Session) (*state, error) {
	v, err := l.frozen(ctx)
	if err != nil {
		return nil, err
	}
	latest, err := l.latestStored(ctx)
	if err != nil {
		return nil, err
	}
	out := &state{closed: true, verdict: v}
	out.progress, out.held = progressOf(v.GetAssessment(), latest, confirmed(s))
	return out, nil
}

// latestStored is the time of the newest sample in the store.
func (l *live) latestStored(ctx context.Context) (latest int64, err error) {
	captures, err := l.m.all(ctx, l.shop, kindCapture, l.id)
	if err != nil {
		return 0, err
	}
	for _, c := range captures {
		tail, err := l.m.store.Tail(ctx, l.chunks(captureID(c)))
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return 0, l.m.explain(l.name(), err)
		}
		latest = max(latest, tail.Last)
	}
	return latest, nil
}
