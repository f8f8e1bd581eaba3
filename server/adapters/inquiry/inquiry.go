// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package inquiry

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
)

// Request is one diagnostic request, service byte first.
type Request struct {
	Payload []byte
	// Target is the control unit asked, as the link addresses it; 0 for all.
	Target int64
	// Timeout is how long to wait for the first answer.
	Timeout time.Duration
	// Expected is the number of answers after which to return; 0 waits for all.
	Expected int
}

// Answer is what one control unit answered.
type Answer struct {
	// Source is who answered, as the link addresses it.
	Source int64
	// Payload has the service byte first; 7F … for a negative response.
	Payload []byte
}

// Link carries requests. Its errors may wrap ErrSilent, ErrGarbled, ErrRefused and ErrLost.
type Link interface {
	Ask(ctx context.Context, r Request) ([]Answer, error)
}

// What a Link's errors wrap where they say which of these it was.
var (
	// ErrSilent says that nobody answered.
	ErrSilent = errors.New("nobody answered")
	// ErrGarbled says that an answer broke the rules of the transport or the standard.
	ErrGarbled = errors.New("the answer is garbled")
	// ErrRefused says that the request was not let through.
	ErrRefused = errors.New("the request was refused")
	// ErrLost says that the link is gone: nothing more can be asked.
	ErrLost = errors.New("the link to the vehicle is lost")
)

const (
	// Patience bounds one reading. On a CAN bus it takes about a second; a slow link has
	// less to tell in the time.
	Patience = 5 * time.Second
	// answerTime is how long the first answer of a control unit may take. ISO 15765-4 gives 50 ms, and a feed beside may
	// hold the link for as long once more; where a control unit asks for patience, the link waits for longer by itself.
	answerTime = 300 * time.Millisecond
	// leastPause is left to the samples of the drive after each request.
	leastPause = 10 * time.Millisecond
	// attempts is how often something is asked where frames are lost or a control unit is busy.
	attempts = 2
	// busyPause is the least time before a busy control unit is asked again.
	busyPause = 100 * time.Millisecond
)

// Bounds of a report.
const (
	maxUnits        = 16
	maxCodes        = 255
	maxValues       = 200
	maxCalibrations = 32
	maxMessage      = 200
)

// Read asks the vehicle behind a link, for as long as Patience at most. The report lacks its time and its device. It is nil
// only where ctx ended before: somebody wants no report any more.
func Read(ctx context.Context, link Link) *pb.VehicleReport {
	limited, cancel := context.WithTimeout(ctx, Patience)
	defer cancel()
	r := &reader{link: link}
	report := &pb.VehicleReport{}
	units, err := r.find(limited)
	for _, u := range units {
		u.read(limited)
		report.ControlUnits = append(report.ControlUnits, u.out)
	}
	if len(units) == 0 {
		report.Unread = append(report.Unread, unread(pb.VehicleReportItem_VEHICLE_REPORT_ITEM_CONTROL_UNITS, err))
	}
	if ctx.Err() != nil {
		return nil
	}
	return report
}

// reader asks over one link.
type reader struct {
	link Link
	lost error // why nothing more can be asked
}

// ask asks, again where that may help, and leaves the link alone for a while.
func (r *reader) ask(ctx context.Context, request Request) ([]Answer, error) {
	var answers []Answer
	var err error
	for range attempts {
		if r.lost != nil {
			return nil, r.lost
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		begun := time.Now()
		answers, err = r.link.Ask(ctx, request)
		took := time.Since(begun)
		if errors.Is(err, ErrLost) {
			r.lost = err
			return nil, err
		}
		pause := max(took, leastPause)
		again := errors.Is(err, ErrGarbled)
		if err == nil && isBusy(answers) {
			pause, again = max(pause, busyPause), true
		}
		sleep(ctx, pause)
		if !again {
			break
		}
	}
	if ctx.Err() != nil && len(answers) == 0 {
		return nil, ctx.Err()
	}
	return answers, err
}

func isBusy(answers []Answer) bool {
	for _, a := range answers {
		if n, ok := j1979.ReadNegative(a.Payload); ok && n.Code.Again() {
			return true
		}
	}
	return false
}

func sleep(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
	}
}

// find asks all control units which parameters they support. Those that speak SAE J1979-2 are looked for only where nobody
// speaks SAE J1979.
func (r *reader) find(ctx context.Context) ([]*unit, error) {
	var problem error
	for _, d := range []j1979.Dialect{j1979.Classic, j1979.UDS} {
		payload, err := d.AppendRequest(nil, 0)
		if err != nil {
			return nil, err
		}
		answers, err := r.ask(ctx, Request{Payload: payload, Timeout: answerTime})
		problem = worse(problem, err)
		var units []*unit
		for _, a := range answers {
			u := &unit{reader: r, source: a.Source, coding: j1979.Coding{Dialect: d}}
			if err := u.coding.ReadSupport(&u.support, []byte{0}, a.Payload); err != nil {
				problem = worse(problem, fmt.Errorf("%w: %w", ErrGarbled, err))
				continue
			}
			known := slices.ContainsFunc(units, func(o *unit) bool { return o.source == u.source })
			if !known && len(units) < maxUnits {
				u.out = &pb.ControlUnit{Address: fmt.Sprintf("%X", uint64(a.Source)), Standard: standards[d]}
				units = append(units, u)
			}
		}
		if len(units) > 0 {
			slices.SortFunc(units, func(a, b *unit) int { return cmp.Compare(a.source, b.source) })
			return units, nil
		}
	}
	return nil, cmp.Or(problem, ErrSilent)
}

// worse is which of two problems tells more: the first that is not mere silence.
func worse(a, b error) error {
	if a == nil || b != nil && errors.Is(a, ErrSilent) {
		return b
	}
	return a
}

var standards = map[j1979.Dialect]pb.DiagnosticStandard{
	j1979.Classic: pb.DiagnosticStandard_DIAGNOSTIC_STANDARD_SAE_J1979,
	j1979.UDS:     pb.DiagnosticStandard_DIAGNOSTIC_STANDARD_SAE_J1979_2,
}
