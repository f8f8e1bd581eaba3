// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package inquiry

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
)

// bench is a control unit at 7E8 that answers what stands in a table, by the request in hexadecimal; all else it does not
// support. It takes a while for each.
type bench struct {
	dialect j1979.Dialect
	answers map[string][]byte
	takes   time.Duration
	fails   func(r Request) error
	asked   [][]byte
}

const source = 0x7E8

func (b *bench) Ask(ctx context.Context, r Request) ([]Answer, error) {
	if err := j1979.CheckReadOnly(r.Payload); err != nil {
		panic(err) // the test fails with the request in its words
	}
	b.asked = append(b.asked, bytes.Clone(r.Payload))
	sleep(ctx, b.takes)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if b.fails != nil {
		if err := b.fails(r); err != nil {
			return nil, err
		}
	}
	payload, ok := b.answers[fmt.Sprintf("%X", r.Payload)]
	switch {
	case ok:
		return []Answer{{Source: source, Payload: payload}}, nil
	case r.Target == 0:
		return nil, ErrSilent
	}
	return []Answer{{Source: source, Payload: j1979.AppendNegative(nil, r.Payload[0], j1979.CodeOutOfRange)}}, nil
}

// must is for what the test itself writes.
func must[T any](t testing.TB) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

const vin = "0AS1234567T000001"

// car is a control unit over UDS that knows no emission reports, so that codes come by status alone.
func car(t testing.TB) *bench {
	b := &bench{dialect: j1979.UDS, answers: map[string][]byte{}}
	var has, info j1979.Support
	has.Add(0x01, 0x0C, 0x10, 0x51)
	info.Add(byte(j1979.VIN), byte(j1979.CalibrationIDs))
	c := j1979.Coding{Dialect: j1979.UDS}
	put := func(request, answer []byte) { b.answers[fmt.Sprintf("%X", request)] = answer }
	bitmap := func(base byte) []byte {
		bits := has.Bitmap(base)
		return append([]byte{0x62, 0xF4, base}, bits[:]...)
	}
	for _, base := range []byte{0x00, 0x20, 0x40} {
		put(must[[]byte](t)(c.Dialect.AppendRequest(nil, base)), bitmap(base))
	}
	put([]byte{0x22, 0xF4, 0x51}, []byte{0x62, 0xF4, 0x51, 0x04})
	put([]byte{0x22, 0xF4, 0x01}, []byte{0x62, 0xF4, 0x01, 0x81, 0x07, 0x25, 0x24})
	put(c.Dialect.AppendInformationRequest(nil, 0), c.Dialect.AppendInformationBitmap(nil, 0, &info))
	put(c.Dialect.AppendInformationRequest(nil, j1979.VIN), c.Dialect.AppendInformation(nil, j1979.VIN, 17, []byte(vin)))
	put(c.Dialect.AppendInformationRequest(nil, j1979.CalibrationIDs), c.Dialect.AppendInformation(nil, j1979.CalibrationIDs, 16, []byte("CAL-1"), []byte("CAL-2")))
	put(j1979.AppendReportRequest(nil, j1979.Confirmed), []byte{0x59, 0x02, 0xFF, 0x01, 0x01, 0x00, 0x0C, 0x01, 0x71, 0x13, 0x08})
	put(j1979.AppendReportRequest(nil, j1979.Pending), []byte{0x59, 0x02, 0xFF, 0x01, 0x01, 0x00, 0x0C})
	first := j1979.Fault{Code: 0x0101, Format: j1979.FormatTyped, Status: 0x0C}
	put(j1979.AppendFrozenRequest(nil, first, 0), append(j1979.AppendFrozenAnswer(nil, first, 0, 1), 0xF4, 0x0C, 0x0F, 0xA0))
	return b
}

func TestAControlUnitThatKnowsNoEmissionReportsTellsItsCodes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		report := Read(t.Context(), car(t))
		if len(report.GetControlUnits()) != 1 {
			t.Fatalf("%v", report)
		}
		u := report.GetControlUnits()[0]
		want := &pb.ControlUnit{
			Address: "7E8", Standard: pb.DiagnosticStandard_DIAGNOSTIC_STANDARD_SAE_J1979_2, Vin: vin, CalibrationIds: []string{"CAL-1", "CAL-2"},
			TroubleCodes: []*pb.TroubleCode{
				{Code: "P0101", Meaning: j1979.DTC(0x0101).Meaning(), Confirmed: true, Pending: true},
				{Code: "P0171", FailureType: "13", Meaning: j1979.DTC(0x0171).Meaning(), Confirmed: true},
			},
			FreezeFrame: &pb.FreezeFrame{Code: "P0101", Values: []*pb.FreezeFrameValue{{Path: "Vehicle.OBD.EngineSpeed", Value: 1000, Unit: "rpm"}}},
			LampLit:     proto.Bool(true), Fuel: pb.Fuel_FUEL_DIESEL, FuelTypeCode: proto.Int32(4),
		}
		want.Monitors, want.SupportedSignals = u.GetMonitors(), u.GetSupportedSignals()
		want.Unread = u.GetUnread()
		if !proto.Equal(u, want) {
			t.Errorf("got %v, want %v", u, want)
		}
		var lacking []pb.VehicleReportItem
		for _, l := range u.GetUnread() {
			if l.GetReason() != pb.UnreadReason_UNREAD_REASON_NOT_SUPPORTED {
				t.Errorf("unread: %v", l)
			}
			lacking = append(lacking, l.GetItem())
		}
		if !slices.Equal(lacking, []pb.VehicleReportItem{pb.VehicleReportItem_VEHICLE_REPORT_ITEM_NAME, pb.VehicleReportItem_VEHICLE_REPORT_ITEM_PERMANENT_CODES}) {
			t.Errorf("unread: %v", lacking)
		}
		if len(u.GetMonitors()) == 0 || !slices.Contains(u.GetSupportedSignals(), "Vehicle.OBD.MAF") || slices.Contains(u.GetSupportedSignals(), "Vehicle.OBD.MAP") {
			t.Errorf("monitors %v, signals %v", u.GetMonitors(), u.GetSupportedSignals())
		}
	})
}

func TestAReadingEndsInTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := car(t)
		b.takes = 700 * time.Millisecond
		begun := time.Now()
		report := Read(t.Context(), b)
		if took := time.Since(begun); took > Patience+time.Millisecond {
			t.Errorf("it took %v", took)
		}
		u := report.GetControlUnits()[0]
		if i := slices.IndexFunc(u.GetUnread(), func(l *pb.UnreadItem) bool { return l.GetReason() == pb.UnreadReason_UNREAD_REASON_OUT_OF_TIME }); i < 0 {
			t.Errorf("unread: %v", u.GetUnread())
		}
		if len(u.GetTroubleCodes()) == 0 {
			t.Error("the codes were not asked for first")
		}
	})
}

// Whatever a reading takes, at least half of the link stays with the samples.
func TestAReadingLeavesHalfOfTheLinkToTheSamples(t *testing.T) {
	for _, takes := range []time.Duration{time.Millisecond, 20 * time.Millisecond, 80 * time.Millisecond} {
		synctest.Test(t, func(t *testing.T) {
			b := car(t)
			b.takes = takes
			begun := time.Now()
			Read(t.Context(), b)
			if whole, used := time.Since(begun), takes*time.Duration(len(b.asked)); 2*used > whole {
				t.Errorf("%v of %v were used", used, whole)
			}
		})
	}
}

func TestWhatWentWrongIsWrittenDown(t *testing.T) {
	for _, tc := range []struct {
		err  error
		want pb.UnreadReason
	}{
		{ErrSilent, pb.UnreadReason_UNREAD_REASON_SILENT},
		{fmt.Errorf("%w: a frame is missing", ErrGarbled), pb.UnreadReason_UNREAD_REASON_GARBLED},
		{ErrRefused, pb.UnreadReason_UNREAD_REASON_REFUSED},
		{ErrLost, pb.UnreadReason_UNREAD_REASON_LINK_LOST},
		{&j1979.NegativeError{Service: 1, Code: j1979.CodeConditions}, pb.UnreadReason_UNREAD_REASON_REFUSED},
		{&j1979.NegativeError{Service: 1, Code: j1979.CodeOutOfRange}, pb.UnreadReason_UNREAD_REASON_NOT_SUPPORTED},
		{context.DeadlineExceeded, pb.UnreadReason_UNREAD_REASON_OUT_OF_TIME},
		{errors.New("a loose wire"), pb.UnreadReason_UNREAD_REASON_UNSPECIFIED},
	} {
		synctest.Test(t, func(t *testing.T) {
			b := car(t)
			b.fails = func(Request) error { return tc.err }
			report := Read(t.Context(), b)
			if len(report.GetUnread()) != 1 || report.GetUnread()[0].GetReason() != tc.want || report.GetUnread()[0].GetMessage() == "" {
				t.Errorf("%v: %v, want %v", tc.err, report, tc.want)
			}
			if errors.Is(tc.err, ErrLost) && len(b.asked) > 1 {
				t.Errorf("%d requests went over a link that is gone", len(b.asked))
			}
		})
	}
}

func TestABusyControlUnitIsAskedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := car(t)
		key := fmt.Sprintf("%X", j1979.UDS.AppendInformationRequest(nil, j1979.VIN))
		whole := b.answers[key]
		b.answers[key] = j1979.AppendNegative(nil, 0x22, j1979.CodeBusy)
		b.fails = func(r Request) error {
			if n := 0; fmt.Sprintf("%X", r.Payload) == key {
				for _, p := range b.asked {
					if bytes.Equal(p, r.Payload) {
						n++
					}
				}
				if n == 2 {
					b.answers[key] = whole
				}
			}
			return nil
		}
		if got := Read(t.Context(), b).GetControlUnits()[0].GetVin(); got != vin {
			t.Errorf("the VIN is %q", got)
		}
	})
}

func TestAReadingThatNobodyWantsAnyMoreGivesNone(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	b := car(t)
	b.fails = func(Request) error {
		cancel()
		return nil
	}
	if report := Read(ctx, b); report != nil || len(b.asked) > 1 {
		t.Errorf("%d requests, %v", len(b.asked), report)
	}
}

// wild answers from a tape of bytes: how long, and what; now and then as the request would have it.
type wild struct{ tape []byte }

func (w *wild) next() byte {
	if len(w.tape) == 0 {
		return 0
	}
	b := w.tape[0]
	w.tape = w.tape[1:]
	return b
}

func (w *wild) Ask(_ context.Context, r Request) ([]Answer, error) {
	if err := j1979.CheckReadOnly(r.Payload); err != nil {
		panic(err)
	}
	if len(w.tape) == 0 {
		return nil, ErrLost
	}
	var out []Answer
	for range w.next() % 4 {
		payload := []byte{r.Payload[0] + 0x40}
		if w.next()%4 > 0 {
			payload = append(payload, r.Payload[1:]...)
		}
		for range w.next() % 64 {
			payload = append(payload, w.next())
		}
		at := r.Target
		if at == 0 {
			at = source + int64(w.next()%3)
		}
		out = append(out, Answer{Source: at, Payload: payload[w.next()%2&byte(len(payload)-1):]})
	}
	return out, nil
}

// Whatever is answered, the report is one that can be stored and sent: valid UTF-8, finite numbers, within its bounds.
func FuzzRead(f *testing.F) {
	f.Add([]byte{1, 1, 4, 0xBE, 0x3F, 0xA8, 0x13, 0, 0, 1, 1, 5, 1, 1, 1, 0x71, 0, 0})
	f.Add(bytes.Repeat([]byte{1, 1, 17, 'A', 'B', '1', 0xFF, 0x80}, 40))
	f.Add(slices.Repeat([]byte{2, 3, 9, 0xFF, 0xFF, 0xFF, 0xFF, 1, 1, 0}, 100))
	f.Fuzz(func(t *testing.T, tape []byte) {
		synctest.Test(t, func(t *testing.T) {
			report := Read(t.Context(), &wild{tape: tape})
			if _, err := proto.Marshal(report); err != nil {
				t.Fatal(err)
			}
			if len(report.GetControlUnits()) > maxUnits || len(report.GetControlUnits())+len(report.GetUnread()) == 0 {
				t.Fatalf("%v", report)
			}
			for _, u := range report.GetControlUnits() {
				checkUnit(t, u)
			}
		})
	})
}

func checkUnit(t *testing.T, u *pb.ControlUnit) {
	t.Helper()
	if u.GetVin() != "" && len(u.GetVin()) != 17 || len(u.GetCalibrationIds()) > maxCalibrations || len(u.GetTroubleCodes()) > maxCodes || len(u.GetName()) > 20 {
		t.Fatalf("%v", u)
	}
	for _, c := range u.GetTroubleCodes() {
		if _, err := j1979.ParseDTC(c.GetCode()); err != nil || !c.GetConfirmed() && !c.GetPending() && !c.GetPermanent() {
			t.Fatalf("%v: %v", c, err)
		}
	}
	for _, v := range u.GetFreezeFrame().GetValues() {
		if math.IsNaN(v.GetValue()) || math.IsInf(v.GetValue(), 0) || !strings.HasPrefix(v.GetPath(), "Vehicle.") {
			t.Fatalf("%v", v)
		}
	}
	for _, l := range u.GetUnread() {
		if l.GetItem() == 0 || !utf8.ValidString(l.GetMessage()) || utf8.RuneCountInString(l.GetMessage()) > maxMessage+1 {
			t.Fatalf("%v", l)
		}
	}
}
