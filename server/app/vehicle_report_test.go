// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/plugins/simulator/canbus"
	"github.com/airassay/airassay/plugins/simulator/ecu"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/sdk/host/manifest"
	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/poll"
	"github.com/airassay/airassay/server/adapters"
	"github.com/airassay/airassay/server/rpc"
	"github.com/airassay/airassay/server/session"
	"github.com/airassay/airassay/server/store"
	"github.com/airassay/airassay/server/store/sqlite"
)

// busAdapter is an adapter whose only device is the plug of an emulated vehicle.
type busAdapter struct {
	vehicle *canbus.Vehicle
	// withoutLink leaves the link out.
	withoutLink bool
	// change may change an answer before it is carried on, or make an error of it.
	change func(payload []byte) ([]byte, error)

	mu    sync.Mutex
	asked [][]byte
}

func (a *busAdapter) Describe() adapter.Description {
	abilities := []adapter.Ability{adapter.AbilityFeed, adapter.AbilityLink}
	if a.withoutLink {
		abilities = abilities[:1]
	}
	return adapter.Description{Name: "bench", Version: "1.0.0", Summary: "an emulated bus", Abilities: abilities}
}

func (a *busAdapter) Configure(context.Context, []byte) (func(), error) { return func() {}, nil }

func (a *busAdapter) Devices(context.Context) ([]adapter.Device, error) {
	return []adapter.Device{{ID: "plug", Name: "plug"}}, nil
}

func (a *busAdapter) Open(context.Context, string) (adapter.Conn, error) {
	node, err := a.vehicle.Tester().Open()
	if err != nil {
		return nil, err
	}
	l, err := canlink.New(node, canlink.Options{Log: slog.New(slog.DiscardHandler)}) //nolint:contextcheck // it lives until Close
	if err != nil {
		return nil, err
	}
	feeder := poll.Over(l, poll.LinkOptions{Log: slog.New(slog.DiscardHandler)})
	if a.withoutLink {
		return struct {
			adapter.Feeder
			closer
		}{feeder, closer{l}}, nil
	}
	return &busConn{Feeder: feeder, Link: l, adapter: a}, nil
}

type closer struct{ link *canlink.Link }

func (c closer) Close() error { return c.link.Close() }

// busConn notes what the host asks and may spoil the answers.
type busConn struct {
	adapter.Feeder
	*canlink.Link

	adapter *busAdapter
}

func (c *busConn) Request(ctx context.Context, r adapter.Request) (adapter.Answers, error) {
	c.adapter.mu.Lock()
	c.adapter.asked = append(c.adapter.asked, slices.Clone(r.Payload))
	c.adapter.mu.Unlock()
	answers, err := c.Link.Request(ctx, r)
	if err != nil || c.adapter.change == nil {
		return answers, err
	}
	for i := range answers.Answers {
		if answers.Answers[i].Payload, err = c.adapter.change(answers.Answers[i].Payload); err != nil {
			return adapter.Answers{}, err
		}
	}
	return answers, nil
}

func (a *busAdapter) requests() [][]byte {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.Clone(a.asked)
}

// garage is a server's domain on a store of its own, with one vehicle plugged in.
type garage struct {
	t        *testing.T
	dir      string
	adapter  *busAdapter
	store    store.Store
	sessions *session.Manager
	adapters *adapters.Manager
	log      *bytes.Buffer
	logMu    sync.Mutex
}

func (g *garage) Write(p []byte) (int, error) {
	g.logMu.Lock()
	defer g.logMu.Unlock()
	return g.log.Write(p)
}

func (g *garage) logged() string {
	g.logMu.Lock()
	defer g.logMu.Unlock()
	return g.log.String()
}

func newGarage(t *testing.T, a *busAdapter) *garage {
	t.Helper()
	g := &garage{t: t, dir: t.TempDir(), adapter: a, log: &bytes.Buffer{}}
	g.open()
	t.Cleanup(func() {
		g.close()
		if err := a.vehicle.Close(); err != nil {
			t.Error(err)
		}
		if t.Failed() {
			t.Log(g.logged())
		}
	})
	return g
}

func (g *garage) must(err error) {
	g.t.Helper()
	if err != nil {
		g.t.Fatal(err)
	}
}

func (g *garage) open() {
	g.t.Helper()
	log := slog.New(slog.NewTextHandler(g, &slog.HandlerOptions{Level: slog.LevelDebug}))
	var err error
	g.store, err = sqlite.Open(context.Background(), g.dir)
	g.must(err)
	g.sessions, err = session.New(session.Config{Store: g.store, Facts: rpc.FactsFromProto, Convert: rpc.AssessmentToProto, Logger: log})
	g.must(err)
	linked := adapters.Adapter{Manifest: &manifest.Manifest{Name: "bench", Version: "1.0.0", ProtocolVersions: host.Versions()}, Linked: g.adapter}
	g.adapters, err = adapters.New(adapters.Config{Sessions: g.sessions, Adapters: []adapters.Adapter{linked}, Logger: log})
	g.must(err)
	g.sessions.SetSources(g.adapters)
	g.adapters.Start()
}

func (g *garage) close() {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	g.adapters.Close(ctx)
	g.must(g.sessions.Close(ctx))
	g.must(g.store.Close())
}

const here = "here"

// capture starts one, in a session of its own.
func (g *garage) capture() (*pb.Session, *pb.Capture) {
	g.t.Helper()
	v, err := g.sessions.CreateVehicle(g.t.Context(), here, &pb.Vehicle{DisplayName: "bench"}, "")
	g.must(err)
	s, err := g.sessions.CreateSession(g.t.Context(), here, &pb.Session{Vehicle: v.GetName()}, "")
	g.must(err)
	c, err := g.adapters.StartCapture(g.t.Context(), here, &pb.StartCaptureRequest{Parent: s.GetName(), Device: "adapters/bench/devices/plug"})
	g.must(err)
	return s, c
}

// report waits until the session has one.
func (g *garage) report(session string) *pb.VehicleReport {
	g.t.Helper()
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		s, err := g.sessions.GetSession(g.t.Context(), here, session)
		g.must(err)
		if s.GetVehicleReport() != nil {
			return s.GetVehicleReport()
		}
		if time.Now().After(end) {
			g.t.Fatal("the session has no report")
		}
	}
}

// parked is a vehicle with a leak at the start of its drive, with what its control units remember of the day before.
func parked(t *testing.T, o ecu.Options) *ecu.Vehicle {
	t.Helper()
	if o.Latency == 0 {
		o.Latency = 5 * time.Millisecond
	}
	o.StayOn = true
	return ecu.NewVehicle(namedRoadTest(t, "leak"), o)
}

func texts(codes []uint16) (out []string) {
	for _, c := range codes {
		out = append(out, j1979.DTC(c).String())
	}
	slices.Sort(out)
	return out
}

func inState(u *pb.ControlUnit, in func(*pb.TroubleCode) bool) (out []string) {
	for _, c := range u.GetTroubleCodes() {
		if in(c) {
			out = append(out, c.GetCode())
		}
	}
	slices.Sort(out)
	return out
}

// checkUnit holds what a report says of the engine's control unit against the vehicle itself.
func checkUnit(t *testing.T, v *ecu.Vehicle, u *pb.ControlUnit) {
	t.Helper()
	confirmed, pending, permanent := v.Codes(time.Now())
	for _, list := range []struct {
		what string
		got  []string
		want []uint16
	}{
		{"confirmed", inState(u, (*pb.TroubleCode).GetConfirmed), confirmed},
		{"pending", inState(u, (*pb.TroubleCode).GetPending), pending},
		{"permanent", inState(u, (*pb.TroubleCode).GetPermanent), permanent},
	} {
		if want := texts(list.want); !slices.Equal(list.got, want) {
			t.Errorf("%s codes %v, want %v", list.what, list.got, want)
		}
	}
	if u.GetVin() != v.VIN() || !strings.HasPrefix(u.GetName(), "ECM") || len(u.GetCalibrationIds()) == 0 {
		t.Errorf("VIN %q, name %q, calibrations %q", u.GetVin(), u.GetName(), u.GetCalibrationIds())
	}
	for _, pid := range v.Fitted() {
		for _, id := range j1979.SignalsOf(pid) {
			if _, only := id.Carrier(support(v)); only && !slices.Contains(u.GetSupportedSignals(), id.Path()) {
				t.Errorf("%s of parameter %02X is not among the supported signals", id, pid)
			}
		}
	}
	if len(u.GetMonitors()) == 0 || u.LampLit == nil || u.FuelTypeCode == nil || u.GetFuel() == pb.Fuel_FUEL_UNSPECIFIED {
		t.Errorf("monitors %v, lamp %v, fuel %v", u.GetMonitors(), u.LampLit, u.GetFuel())
	}
	for _, gone := range u.GetUnread() {
		t.Errorf("unread: %v", gone)
	}
	checkFrame(t, u)
}

// checkVerdict wants the codes named with what they speak for, and the fuel proposed that nobody has entered.
func checkVerdict(t *testing.T, a *pb.Assessment) {
	t.Helper()
	if codes := a.GetTroubleCodes(); len(codes) != 1 || codes[0].GetCode() != "P0171" || codes[0].GetMeaning() == "" || len(codes[0].GetFavours()) == 0 {
		t.Errorf("the verdict says of codes: %v", codes)
	}
	if !slices.ContainsFunc(a.GetFactProposals(), func(f *pb.FactProposal) bool {
		return f.GetField() == "fuel" && f.GetWord() == "gasoline" && f.Entered == nil && f.GetSource() == pb.FactSource_FACT_SOURCE_FUEL_TYPE
	}) {
		t.Errorf("the verdict proposes %v", a.GetFactProposals())
	}
}

func support(v *ecu.Vehicle) *j1979.Support {
	var s j1979.Support
	s.Add(v.Fitted()...)
	return &s
}

func checkFrame(t *testing.T, u *pb.ControlUnit) {
	t.Helper()
	frame := u.GetFreezeFrame()
	if len(inState(u, (*pb.TroubleCode).GetConfirmed)) == 0 {
		if frame != nil {
			t.Errorf("a freeze frame without a code: %v", frame)
		}
		return
	}
	if len(frame.GetValues()) < 5 || frame.GetCode() == "" {
		t.Fatalf("freeze frame %v", frame)
	}
	for _, v := range frame.GetValues() {
		s, ok := j1979.ByPath(v.GetPath())
		if low, high := s.Limits(); !ok || v.GetUnit() != s.Unit || math.IsNaN(v.GetValue()) || v.GetValue() < low || v.GetValue() > high {
			t.Errorf("freeze frame: %v", v)
		}
	}
}

func TestACaptureReadsWhatTheVehicleSaysOfItselfAndKeepsIt(t *testing.T) {
	for title, tc := range map[string]struct {
		o  ecu.Options
		on canbus.VehicleOptions
	}{
		"11 bit":           {},
		"29 bit":           {on: canbus.VehicleOptions{Extended: true}},
		"SAE J1979-2":      {o: ecu.Options{Dialect: ecu.UDS}},
		"both standards":   {o: ecu.Options{Dialect: ecu.Both}},
		"slow and patient": {o: ecu.Options{Latency: 15 * time.Millisecond, Faults: ecu.Faults{Chances: ecu.Chances{ecu.Pending: 0.1}}}},
	} {
		t.Run(title, func(t *testing.T) {
			t.Parallel()
			v := parked(t, tc.o)
			a := &busAdapter{vehicle: canbus.NewVehicle(v, canbus.Options{}, tc.on)}
			g := newGarage(t, a)
			s, c := g.capture()
			report := g.report(s.GetName())
			if n := len(report.GetControlUnits()); n != 2 {
				t.Fatalf("%d control units: %v", n, report)
			}
			checkUnit(t, v, report.GetControlUnits()[0])
			_, took, _ := strings.Cut(g.logged(), "took=")
			took, _, _ = strings.Cut(took, " ")
			t.Logf("%d requests in %s; codes %v; frame of %d values", len(a.requests()), strings.TrimSpace(took), report.GetControlUnits()[0].GetTroubleCodes(), len(report.GetControlUnits()[0].GetFreezeFrame().GetValues()))
			for _, payload := range a.requests() {
				if err := j1979.CheckReadOnly(payload); err != nil {
					t.Errorf("% X: %v", payload, err)
				}
			}
			for _, u := range v.Units() {
				if counts := u.Counts(); counts.AllForbidden() > 0 {
					t.Errorf("%s was asked what does more than read", u.Name())
				}
			}
			if strings.Contains(g.logged(), v.VIN()) {
				t.Error("the log holds the vehicle's identification number")
			}
			judged, err := g.sessions.AssessSession(t.Context(), here, s.GetName())
			g.must(err)
			checkVerdict(t, judged.GetAssessment())
			before := len(a.requests())
			again, err := g.adapters.ReadVehicle(t.Context(), here, c.GetName())
			g.must(err)
			if len(a.requests()) == before || again.GetReadTime().AsTime().Before(report.GetReadTime().AsTime()) {
				t.Error("it was not read again on demand")
			}
			g.close()
			g.open()
			kept := g.report(s.GetName())
			if kept.GetControlUnits()[0].GetVin() != v.VIN() || !kept.GetReadTime().AsTime().Equal(again.GetReadTime().AsTime()) {
				t.Errorf("after a restart the session holds %v", kept)
			}
			asked := len(a.requests())
			_, err = g.adapters.ResumeCapture(t.Context(), here, c.GetName())
			g.must(err)
			time.Sleep(300 * time.Millisecond)
			if len(a.requests()) != asked {
				t.Error("the vehicle was read again although the capture was only resumed")
			}
		})
	}
}

func TestAVehicleThatAnswersNothingOfItselfDoesNotHarmTheCapture(t *testing.T) {
	for title, tc := range map[string]struct {
		change func([]byte) ([]byte, error)
		want   pb.UnreadReason
		units  bool
	}{
		"silent":  {func([]byte) ([]byte, error) { return nil, adapter.ErrSilent }, pb.UnreadReason_UNREAD_REASON_SILENT, false},
		"garbled": {func([]byte) ([]byte, error) { return nil, adapter.ErrGarbled }, pb.UnreadReason_UNREAD_REASON_GARBLED, false},
		"cut off": {func(p []byte) ([]byte, error) { return p[:len(p)-1], nil }, pb.UnreadReason_UNREAD_REASON_GARBLED, false},
		"says nothing beyond its parameters": {func(p []byte) ([]byte, error) {
			if p[0] != 0x41 {
				return nil, adapter.ErrSilent
			}
			return p, nil
		}, pb.UnreadReason_UNREAD_REASON_SILENT, true},
		"refuses": {func(p []byte) ([]byte, error) {
			if p[0] != 0x41 {
				return []byte{0x7F, p[0] - 0x40, 0x22}, nil
			}
			return p, nil
		}, pb.UnreadReason_UNREAD_REASON_REFUSED, true},
		"defective adapter": {func([]byte) ([]byte, error) { return nil, fmt.Errorf("a loose wire") }, pb.UnreadReason_UNREAD_REASON_REFUSED, false},
	} {
		t.Run(title, func(t *testing.T) {
			t.Parallel()
			a := &busAdapter{vehicle: canbus.NewVehicle(parked(t, ecu.Options{}), canbus.Options{}, canbus.VehicleOptions{}), change: tc.change}
			g := newGarage(t, a)
			s, c := g.capture()
			report := g.report(s.GetName())
			lacking := report.GetUnread()
			if tc.units {
				lacking = report.GetControlUnits()[0].GetUnread()
			}
			if len(lacking) == 0 || (len(report.GetControlUnits()) > 0) != tc.units {
				t.Fatalf("the report is %v", report)
			}
			for _, l := range lacking {
				if l.GetReason() != tc.want || l.GetMessage() == "" {
					t.Errorf("unread: %v, want %v", l, tc.want)
				}
			}
			growing(t, g, c.GetName())
		})
	}
}

// growing waits until a capture has more samples than now.
func growing(t *testing.T, g *garage, capture string) {
	t.Helper()
	first := int64(-1)
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		c, err := g.sessions.GetCapture(t.Context(), here, capture)
		g.must(err)
		if first < 0 {
			first = c.GetSampleCount()
		}
		if c.GetSampleCount() > first+20 {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("no samples come in: %v", c.GetFeed())
		}
	}
}

func TestAnAdapterWithoutALinkIsAskedNothing(t *testing.T) {
	a := &busAdapter{vehicle: canbus.NewVehicle(parked(t, ecu.Options{}), canbus.Options{}, canbus.VehicleOptions{}), withoutLink: true}
	g := newGarage(t, a)
	s, c := g.capture()
	growing(t, g, c.GetName())
	got, err := g.sessions.GetSession(t.Context(), here, s.GetName())
	g.must(err)
	if got.GetVehicleReport() != nil || len(a.requests()) > 0 {
		t.Errorf("asked %X, report %v", a.requests(), got.GetVehicleReport())
	}
	_, err = g.adapters.ReadVehicle(t.Context(), here, c.GetName())
	if reason, _ := session.ReasonOf(err); reason != pb.ErrorReason_ERROR_REASON_NO_LINK {
		t.Errorf("reading on demand: %v", err)
	}
}

// A capture that ends while the vehicle is read takes the reading with it.
func TestTheEndOfACaptureEndsTheReading(t *testing.T) {
	v := parked(t, ecu.Options{Latency: 40 * time.Millisecond})
	g := newGarage(t, &busAdapter{vehicle: canbus.NewVehicle(v, canbus.Options{}, canbus.VehicleOptions{})})
	s, _ := g.capture()
	begun := time.Now()
	if _, _, err := g.sessions.CloseSession(t.Context(), here, s.GetName()); err != nil {
		t.Fatal(err)
	}
	if took := time.Since(begun); took > 3*time.Second {
		t.Errorf("closing took %v", took)
	}
}

// Codes in a vehicle file reach the page and the JSON, and leave the finding of a whole drive as it is.
func TestCodesInAVehicleFileAreNamedInTheVerdict(t *testing.T) {
	const drive = "../../examples/drives/van/recording.csv"
	assayed := func(args ...string) (string, string) {
		var out, errs bytes.Buffer
		Main(t.Context(), append([]string{"assay"}, args...), &out, &errs)
		return out.String(), errs.String()
	}
	facts := writeFile(t, "vehicle.json", `{"displacement_l": 2.0, "cylinders": 4, "banks": 1, "aspiration": "natural", "fuel": "gasoline",
 "air_meter": "hot_wire", "trouble_codes": ["P2187", "P0420"]}`)
	page, stderr := assayed("--width", "120", "--vehicle", facts, drive)
	for _, want := range []string{"The air meter shows less air", "P2187, mixture too lean at idle, bank 1,", "P0420 says nothing", "prove nothing"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q: %s%s", want, page, stderr)
		}
	}
	text, stderr := assayed("--json", "--vehicle", facts, drive)
	for _, want := range []string{`"P2187"`, `"CONDITION_LEAK_AFTER_METER"`, `"FACT_SOURCE_ABSOLUTE_LOAD"`} {
		if !strings.Contains(text, want) {
			t.Errorf("the JSON lacks %s: %.300s%s", want, text, stderr)
		}
	}
	_, stderr = assayed("--vehicle", writeFile(t, "vehicle.json", `{"trouble_codes": ["P0101 range"]}`), drive)
	if !strings.Contains(stderr, "trouble_codes") || !strings.Contains(stderr, "such as P0101") {
		t.Errorf("a code that is none: %s", stderr)
	}
}
