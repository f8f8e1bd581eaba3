// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package simulator

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/conformance"
	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording/vehiclefile"
)

// roleArgument makes the test's own program play the adapter, for a host that starts it.
const roleArgument = "play-the-adapter"

func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == roleArgument {
		adapter.Serve(New())
	}
	goleak.VerifyTestMain(m)
}

// bench is a client of the adapter within the process.
type bench struct {
	adapterv1beta1.AdapterServiceClient

	t testing.TB
}

func newBench(t testing.TB, configuration string) bench {
	t.Helper()
	conn, stop, err := adapter.Local(New(), nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(stop)
	b := bench{adapterv1beta1.NewAdapterServiceClient(conn), t}
	if _, err := b.Configure(t.Context(), &adapterv1beta1.ConfigureRequest{ConfigurationJson: configuration}); err != nil {
		t.Fatal(err)
	}
	return b
}

func speed(times float64) string { return fmt.Sprintf(`{"speed": %g}`, times) }

func want(rate float64, paths ...string) (list []*adapterv1beta1.WantedSignal) {
	for _, p := range paths {
		list = append(list, &adapterv1beta1.WantedSignal{Path: j1979.Prefix + p, RateHz: rate})
	}
	return list
}

// sample is one value by the adapter's clock.
type sample struct {
	path  string
	us    int64
	value float64
}

// tap is a feed that is read.
type tap struct {
	stream     adapterv1beta1.AdapterService_FeedClient
	cancel     context.CancelFunc
	subscribed *adapterv1beta1.FeedSubscribed
	samples    []sample
	gaps       []*adapterv1beta1.FeedGap
	links      []adapterv1beta1.LinkCondition
}

func (b bench) open(device string) {
	b.t.Helper()
	answer, err := b.OpenDevice(b.t.Context(), &adapterv1beta1.OpenDeviceRequest{DeviceId: device})
	if err != nil {
		b.t.Fatal(err)
	}
	if got := answer.GetTimeSource(); got != adapterv1beta1.TimeSource_TIME_SOURCE_RECORDED {
		b.t.Fatalf("time source is %v", got)
	}
}

func (b bench) feed(device string, wanted ...*adapterv1beta1.WantedSignal) *tap {
	b.t.Helper()
	ctx, cancel := context.WithCancel(b.t.Context())
	b.t.Cleanup(cancel)
	stream, err := b.Feed(ctx)
	if err == nil {
		err = stream.Send(&adapterv1beta1.FeedRequest{DeviceId: device, Signals: wanted})
	}
	if err != nil {
		b.t.Fatal(err)
	}
	return &tap{stream: stream, cancel: cancel}
}

// read takes messages until enough is there.
func (f *tap) read(t testing.TB, enough func() bool) {
	t.Helper()
	for !enough() {
		m, err := f.stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		f.take(m)
	}
}

func (f *tap) take(m *adapterv1beta1.FeedResponse) {
	if s := m.GetSubscribed(); s != nil {
		f.subscribed = s
	}
	if l := m.GetLinkState(); l != nil {
		f.links = append(f.links, l.GetCondition())
	}
	batch := m.GetBatch()
	if g := batch.GetGap(); g != nil {
		f.gaps = append(f.gaps, g)
	}
	for i, v := range batch.GetValue() {
		path := f.subscribed.GetSignals()[batch.GetSignal()[i]].GetPath()
		f.samples = append(f.samples, sample{strings.TrimPrefix(path, j1979.Prefix), batch.GetBaseTimeUs() + batch.GetOffsetUs()[i], v})
	}
}

// seconds is how much of the drive has come.
func (f *tap) seconds() float64 {
	if len(f.samples) == 0 {
		return 0
	}
	return float64(f.samples[len(f.samples)-1].us-f.samples[0].us) / 1e6
}

func (f *tap) count(path string) (n int) {
	for _, s := range f.samples {
		if s.path == path {
			n++
		}
	}
	return n
}

var usual = []string{"EngineSpeed", "MAF", "MAP", "EngineLoad", "ShortTermFuelTrim1", "LongTermFuelTrim1", "IntakeTemp", "CoolantTemperature", "Speed", "ThrottlePosition"}

func TestNamedScenariosAreTheDevices(t *testing.T) {
	b := newBench(t, "")
	answer, err := b.ListDevices(t.Context(), &adapterv1beta1.ListDevicesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, d := range answer.GetDevices() {
		ids = append(ids, d.GetId())
		if d.GetDisplayName() == "" || d.GetLocation() == "" {
			t.Errorf("%v lacks something", d)
		}
		for _, truth := range []string{"dirt", "leak", "weak", "torn", "clogged", "without"} {
			if strings.Contains(strings.ToLower(d.GetDisplayName()), truth) {
				t.Errorf("the name %q gives the truth away", d.GetDisplayName())
			}
		}
	}
	want := []string{"van", "healthy", "leak", "clogged-filter", "weak-pump", "wrong-air-temperature", "chip-meter", "no-meter", "torn-duct", "badly-driven"}
	if !reflect.DeepEqual(ids, want) {
		t.Errorf("devices are %v, want %v", ids, want)
	}
}

func TestEverySignalIsOfTheVocabularyAndSaysWhatItIs(t *testing.T) {
	for s := range engine.NumSignals {
		known, ok := j1979.ByPath(path(s))
		if d := s.Define(); !ok || math.Abs(known.Step-d.Step) > 1e-9 || known.PID != d.PID || math.Abs(known.Min-d.Min) > 1e-9 {
			t.Errorf("%s: the simulator has PID %02X with steps of %g, the vocabulary %02X and %g", path(s), d.PID, d.Step, known.PID, known.Step)
		}
	}
	b := newBench(t, "")
	b.open("chip-meter")
	f := b.feed("chip-meter", want(0, append(usual, "ExhaustPressure1", "RelativeHumidity")...)...)
	f.read(t, func() bool { return f.subscribed != nil })
	if got := len(f.subscribed.GetSignals()); got != len(usual) || len(f.subscribed.GetUnavailable()) != 2 {
		t.Errorf("%d signals can be had and %d not, want %d and 2", got, len(f.subscribed.GetUnavailable()), len(usual))
	}
	for _, s := range f.subscribed.GetSignals() {
		if s.GetResolution() <= 0 || s.GetTimeUncertaintyUs() < 1000 || s.GetTimeUncertaintyUs() > 50_000 || s.GetRefreshIntervalUs() < 10_000 || s.GetUnit() == "" {
			t.Errorf("%v lacks something", s)
		}
	}
}

func TestFirstSampleComesAtOnce(t *testing.T) {
	b := newBench(t, "")
	b.open("van")
	began, now := time.Now(), adapter.Now()
	f := b.feed("van", want(0, usual...)...)
	f.read(t, func() bool { return len(f.samples) > 0 })
	if took := time.Since(began); took > 200*time.Millisecond && !testing.Short() {
		t.Errorf("the first sample came after %v, want 200 ms at most", took)
	}
	if first := adapter.Time(f.samples[0].us); first < now || first.Sub(now) > 200*time.Millisecond {
		t.Errorf("the first sample is %v after the start of the feed by the adapter's clock", first.Sub(now))
	}
}

// drive reads a feed of a fresh adapter up to a time of the drive.
func drive(t *testing.T, times float64, device string, until float64, wanted ...*adapterv1beta1.WantedSignal) *tap {
	t.Helper()
	b := newBench(t, speed(times))
	b.open(device)
	f := b.feed(device, wanted...)
	f.read(t, func() bool { return f.seconds() > until })
	f.cancel()
	f.samples = slices.DeleteFunc(f.samples, func(s sample) bool { return float64(s.us-f.samples[0].us) > until*1e6 })
	return f
}

// relative are samples with the times of the drive, up to a time.
func relative(f *tap, until float64) (list []sample) {
	for _, s := range f.samples {
		s.us -= f.samples[0].us
		if float64(s.us) < until*1e6 {
			list = append(list, s)
		}
	}
	return list
}

func TestDriveIsTheSameAtEverySpeedAndInEveryFeed(t *testing.T) {
	wanted := want(0, usual...)
	slow := relative(drive(t, 60, "van", 60, wanted...), 60)
	for _, times := range []float64{60, 1000} {
		if fast := relative(drive(t, times, "van", 60, wanted...), 60); !reflect.DeepEqual(slow, fast) {
			t.Errorf("at %g times the speed %d samples became %d others", times, len(slow), len(fast))
		}
	}
}

func TestDriveKeepsStepWithTheClock(t *testing.T) {
	const times = 10
	b := newBench(t, speed(times))
	b.open("healthy")
	f := b.feed("healthy", want(0, "EngineSpeed")...)
	f.read(t, func() bool { return len(f.samples) > 0 })
	began := time.Now()
	f.read(t, func() bool { return f.seconds() > 25 })
	if took := time.Since(began).Seconds() * times; took < 22 || took > 32 {
		t.Errorf("25 s at %d times the speed took %.1f s of the drive", times, took)
	}
}

// The feed shows what the recording of the same scenario shows, so that a demonstration and a test see one vehicle.
func TestFeedAndRecordingAreTheSameVehicle(t *testing.T) {
	c, err := scenario.Named("torn-duct")
	if err != nil {
		t.Fatal(err)
	}
	recorded := c.Run()
	f := drive(t, 1000, "torn-duct", 300, want(5, "EngineSpeed", "Speed", "MAF")...)
	for _, signal := range []engine.Signal{engine.EngineSpeed, engine.VehicleSpeed, engine.MAF} {
		at := map[int64]float64{} // s
		for _, s := range recorded.Samples {
			if s.Signal == signal {
				at[s.TimeUS/1e6] = s.Value
			}
		}
		far, n := 0, 0
		for _, s := range relative(f, 300) {
			if v, ok := at[s.us/1e6]; ok && s.path == signal.Define().Path {
				if n++; math.Abs(s.value-v) > 0.1*v+2 {
					far++
				}
			}
		}
		if n < 1000 || float64(far)/float64(n) > 0.08 {
			t.Errorf("%s: %d of %d samples of the feed are far from the recording's of the same second", signal.Define().Path, far, n)
		}
	}
}

func TestWantingLessMakesTheRestFaster(t *testing.T) {
	many := drive(t, 200, "van", 40, want(0, usual...)...)
	few := drive(t, 200, "van", 40, want(0, "EngineSpeed", "IntakeTemp")...)
	rated := drive(t, 200, "van", 40, append(want(2, "EngineSpeed"), want(0, "IntakeTemp")...)...)
	if a, b := many.count("IntakeTemp"), few.count("IntakeTemp"); b < 2*a {
		t.Errorf("IntakeTemp came %d times among ten signals, and %d times among two", a, b)
	}
	if n := rated.count("EngineSpeed"); n < 75 || n > 85 {
		t.Errorf("EngineSpeed at 2 Hz came %d times in 40 s", n)
	}
	if a, b := few.count("IntakeTemp"), rated.count("IntakeTemp"); b < 3*a/2 {
		t.Errorf("IntakeTemp came %d times, and %d times when EngineSpeed was wanted less often", a, b)
	}
}

func TestWhatIsWantedCanChange(t *testing.T) {
	b := newBench(t, speed(20))
	b.open("van")
	f := b.feed("van", want(0, "EngineSpeed")...)
	f.read(t, func() bool { return len(f.samples) > 100 })
	if err := f.stream.Send(&adapterv1beta1.FeedRequest{DeviceId: "van", Signals: want(0, "MAP")}); err != nil {
		t.Fatal(err)
	}
	f.read(t, func() bool { return f.count("MAP") > 100 })
	if last := f.samples[len(f.samples)-50:]; slices.ContainsFunc(last, func(s sample) bool { return s.path != "MAP" }) {
		t.Errorf("among the last samples: %v", last)
	}
	if len(f.gaps) > 0 {
		t.Errorf("a gap that nothing made: %v", f.gaps[0])
	}
}

func TestEndOfTheDriveIsASilentLinkAndNotAnError(t *testing.T) {
	b := newBench(t, speed(1000))
	b.open("badly-driven")
	f := b.feed("badly-driven", want(1, "EngineSpeed")...)
	f.read(t, func() bool { return len(f.links) > 0 })
	truth, err := Truth("badly-driven")
	if err != nil {
		t.Fatal(err)
	}
	if f.links[0] != adapterv1beta1.LinkCondition_LINK_CONDITION_SILENT || math.Abs(f.seconds()-truth.Seconds) > 3 {
		t.Errorf("the link was %v after %.1f s of a drive of %.1f s", f.links[0], f.seconds(), truth.Seconds)
	}
	quiet := make(chan *adapterv1beta1.FeedResponse, 1)
	go func() {
		m, _ := f.stream.Recv()
		quiet <- m
	}()
	select {
	case m := <-quiet:
		t.Errorf("after the end came %v", m)
	case <-time.After(300 * time.Millisecond):
	}
	f.cancel()
	<-quiet
}

func TestVehicleWaitsWhileNobodyFeedsAndTheHoleIsMarked(t *testing.T) {
	b := newBench(t, "")
	b.open("van")
	first := b.feed("van", want(0, "RunTime", "EngineSpeed")...)
	first.read(t, func() bool { return first.seconds() > 1 })
	first.cancel()
	time.Sleep(400 * time.Millisecond)
	second := b.feed("van", want(0, "RunTime", "EngineSpeed")...)
	second.read(t, func() bool { return second.seconds() > 0.3 })
	if len(second.gaps) != 1 {
		t.Fatalf("gaps: %v", second.gaps)
	}
	hole := time.Duration(second.gaps[0].GetEndUs()-second.gaps[0].GetStartUs()) * time.Microsecond
	last, next := first.samples[len(first.samples)-1].us, second.samples[0].us
	if hole < 350*time.Millisecond || hole > 2*time.Second || next < last {
		t.Errorf("the hole is %v; the times go from %d to %d µs", hole, last, next)
	}
	if _, err := b.CloseDevice(t.Context(), &adapterv1beta1.CloseDeviceRequest{DeviceId: "van"}); err != nil {
		t.Fatal(err)
	}
}

func TestDrivesOfSeveralVehiclesAreIndependent(t *testing.T) {
	alone := relative(drive(t, 50, "leak", 30, want(0, usual...)...), 30)
	b := newBench(t, speed(50))
	taps := map[string]*tap{}
	for _, name := range scenario.Names() {
		b.open(name)
		taps[name] = b.feed(name, want(0, usual...)...)
	}
	for _, f := range taps {
		f.read(t, func() bool { return f.seconds() > 31 })
	}
	if together := relative(taps["leak"], 30); !reflect.DeepEqual(alone, together) {
		t.Errorf("among others the drive has %d samples instead of %d, or others", len(together), len(alone))
	}
}

func put(t testing.TB, dir, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func directory(dir string) string {
	text, _ := json.Marshal(dir)
	return fmt.Sprintf(`{"scenario_directory": %s}`, text)
}

func TestScenarioFilesOfTheDirectoryAreDevicesToo(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "a.json", `{"name": "mine", "vehicle": {"displacement_l": 1.6, "name": "Lindquell 1.6"}}`)
	put(t, dir, "b.json", `{"name": "mine-too", "vehicle": {"displacement_l": 3.0}}`)
	put(t, dir, "notes.txt", `no scenario`)
	if err := os.Mkdir(filepath.Join(dir, "more"), 0o700); err != nil {
		t.Fatal(err)
	}
	b := newBench(t, directory(dir))
	answer, err := b.ListDevices(t.Context(), &adapterv1beta1.ListDevicesRequest{})
	if err != nil || len(answer.GetDevices()) != 12 {
		t.Fatalf("%d devices (%v)", len(answer.GetDevices()), err)
	}
	if d := answer.GetDevices()[10]; d.GetId() != "mine" || d.GetDisplayName() != "Lindquell 1.6, simulated" || d.GetLocation() != filepath.Join(dir, "a.json") {
		t.Errorf("the device is %v", d)
	}
	b.open("mine-too")
	f := b.feed("mine-too", want(0, "EngineSpeed", "LongTermFuelTrim2")...)
	f.read(t, func() bool { return f.count("LongTermFuelTrim2") > 0 })
}

func TestWhatIsWrongWithAConfigurationIsToldByField(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "one.json", `{"name": "van", "vehicle": {"displacement_l": 2}}`)
	put(t, dir, "two.json", `{"name": "two", "vehicle": {"displacement_l": 20}, "link": {"class": "string"}}`)
	put(t, dir, "three.json", `{`)
	if err := os.Symlink(filepath.Join(t.TempDir(), "outside.json"), filepath.Join(dir, "four.json")); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		configuration, field string
		says                 []string
	}{
		{`{"speed": 0}`, "speed", []string{"is 0"}}, {`{"speed": 1001}`, "speed", []string{"1001", "at most 1000"}}, {`{"speed": "fast"}`, "speed", []string{"string"}},
		{`{"pace": 1}`, "pace", []string{"not known"}}, {`[]`, "configuration", []string{"array"}}, {`{"speed": 1e999}`, "speed", []string{"1e999"}},
		{`{"scenario_directory": "drives"}`, "scenario_directory", []string{"absolute"}}, {directory(filepath.Join(dir, "nowhere")), "scenario_directory", []string{"cannot be opened"}},
		{directory(dir), "scenario_directory", []string{"one.json: name is \"van\"", "two.json: vehicle.displacement_l is 20", "two.json: link.class", "three.json: line 1", "four.json"}},
	} {
		conn, stop, err := adapter.Local(New(), nil)
		if err != nil {
			t.Fatal(err)
		}
		_, err = adapterv1beta1.NewAdapterServiceClient(conn).Configure(t.Context(), &adapterv1beta1.ConfigureRequest{ConfigurationJson: c.configuration})
		var told []string
		for _, d := range status.Convert(err).Details() {
			if bad, ok := d.(*errdetails.BadRequest); ok {
				for _, v := range bad.GetFieldViolations() {
					told = append(told, v.GetField()+": "+v.GetDescription())
				}
			}
		}
		all := strings.Join(told, "\n")
		if status.Code(err) != codes.InvalidArgument || len(told) != len(c.says) && len(c.says) > 2 || !strings.HasPrefix(all, c.field) {
			t.Errorf("%s: %v\n%s", c.configuration, err, all)
		}
		for _, says := range c.says {
			if !strings.Contains(all, says) {
				t.Errorf("%s: nothing says %q\n%s", c.configuration, says, all)
			}
		}
		stop()
	}
}

func TestDemonstrationHasFactsWithoutTruthAndTheTruthApart(t *testing.T) {
	list, err := Scenarios()
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range list {
		vehicle, _, err := vehiclefile.Read(strings.NewReader(string(s.VehicleFile)), "vehicle.json")
		if err != nil {
			t.Errorf("%s: %v", s.Name, err)
			continue
		}
		if vehicle.GetDisplacementL() == 0 || s.Title == "" || s.Description == "" || s.Vehicle == "" {
			t.Errorf("%s lacks something: %v", s.Name, vehicle)
		}
		if strings.Contains(string(s.VehicleFile), "CONDITION") {
			t.Errorf("%s: the facts tell the truth", s.Name)
		}
	}
	truth, err := Truth("van")
	if err != nil || truth.Cause != "CAUSE_CONTAMINATED" || truth.ErrorAtTopFlow.Error > -12 {
		t.Errorf("truth is %+v (%v)", truth, err)
	}
	folder := filepath.Join(t.TempDir(), "van")
	if err := Record("van", folder); err != nil {
		t.Fatal(err)
	}
	written, err := os.ReadFile(filepath.Join(folder, "vehicle.json"))
	if err != nil || string(written) != string(list[0].VehicleFile) {
		t.Errorf("the vehicle file that was written differs (%v):\n%s", err, written)
	}
	if _, err := Truth("nothing"); err == nil {
		t.Error("an unknown scenario has a truth")
	}
}

// contract checks the adapter against each sentence of the contract that shows from outside.
func contract(t *testing.T, target conformance.Target, times float64) {
	t.Helper()
	if testing.Short() {
		t.Skip("takes a minute")
	}
	report := conformance.Test(t, target, conformance.Options{
		Attempts:      3, // Other tests run beside this one.
		Configuration: speed(times), BadConfiguration: `{"speed": 0, "scenario_directory": "drives"}`, BadFields: []string{"speed", "scenario_directory"},
		Device: "van", Signals: []string{"Vehicle.OBD.EngineSpeed", "Vehicle.OBD.MAF", "Vehicle.OBD.MAP"}, NoVehicle: true, Parallel: 4,
	})
	if !t.Failed() && !report.Conformant() {
		t.Errorf("no profile was checked: %v", report.Profiles)
	}
}

func TestContractIsBrokenInProcess(t *testing.T) { contract(t, conformance.InProcess(New()), 1) }

func TestContractIsBrokenByAFastDrive(t *testing.T) { contract(t, conformance.InProcess(New()), 50) }

func TestContractIsBrokenByTheProcess(t *testing.T) {
	contract(t, conformance.Executable{Path: os.Args[0], Args: []string{roleArgument}}, 1)
}
