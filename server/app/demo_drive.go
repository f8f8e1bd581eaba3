// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/plugins/simulator"
	"github.com/airassay/airassay/sdk/page/live"
	"github.com/airassay/airassay/sdk/page/wording"
	"github.com/airassay/airassay/sdk/recording/vehiclefile"
)

// frontEnd drives a scenario over gRPC, as any front end would: it knows the server's address and nothing of its inside.
type frontEnd struct {
	t        *streams
	scenario simulator.Scenario
	speed    float64
	keep     string

	vehicles pb.VehicleServiceClient
	sessions pb.SessionServiceClient
	verdicts pb.VerdictServiceClient
	adapters pb.AdapterServiceClient
	show     *live.Display
	pulls    *live.Scatter
	feed     rates

	session string
	verdict *pb.Verdict
}

// rates is what the display tells of the link.
type rates struct {
	mu      sync.Mutex
	samples int64
	hz      float64
}

func (r *rates) set(c *pb.Capture) {
	var sum float64
	for _, rate := range c.GetFeed().GetRates() {
		sum += rate.GetAchievedHz()
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.samples, r.hz = c.GetSampleCount(), sum
}

func (r *rates) String() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return fmt.Sprintf("%s samples, %.0f a second", wording.Count(r.samples), r.hz)
}

func (f *frontEnd) drive(ctx context.Context, address string) error {
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return err
	}
	defer conn.Close() //nolint:errcheck // Nothing is under way on it any more.
	f.vehicles, f.sessions = pb.NewVehicleServiceClient(conn), pb.NewSessionServiceClient(conn)
	f.verdicts, f.adapters = pb.NewVerdictServiceClient(conn), pb.NewAdapterServiceClient(conn)
	f.pulls = &live.Scatter{Title: "air through the meter in the pulls", X: "rpm", Y: "g/s"}
	f.show = live.New(live.Options{Out: f.t.err, Name: program, Head: f.head, Tail: f.pulls.Lines})
	capture, err := f.begin(ctx)
	if err != nil {
		return err
	}
	watching, stop := context.WithCancel(ctx)
	var watchers sync.WaitGroup
	watchers.Go(func() { f.watchProgress(watching) })
	watchers.Go(func() { f.watchPulls(watching, capture) })
	err = f.untilOver(ctx, capture.GetName())
	if err == nil {
		if err = f.end(ctx); err == nil {
			// The streams end by themselves, because the session is closed; a stuck one does not hold the verdict up.
			time.AfterFunc(lastWords, stop)
			watchers.Wait()
		}
	}
	stop()
	watchers.Wait()
	f.show.End()
	switch {
	case err != nil:
	case f.show.InPlace():
		_, _ = fmt.Fprintln(f.t.err) // The page stands apart from the block.
	default:
		const columns = 80
		for _, line := range f.pulls.Lines(columns) {
			_, _ = fmt.Fprintln(f.t.err, line)
		}
	}
	return err
}

// lastWords is how long what is shown of the drive may take to end after it.
const lastWords = 2 * time.Second

func (f *frontEnd) head(p *pb.SessionProgress) string {
	return fmt.Sprintf("%s driven; %s", wording.Clock(p.GetLatestTimeUs()), f.feed.String())
}

// begin makes vehicle and session and starts the capture.
func (f *frontEnd) begin(ctx context.Context) (*pb.Capture, error) {
	vehicle, day, err := vehiclefile.Read(bytes.NewReader(f.scenario.VehicleFile), f.scenario.Name)
	if err != nil {
		return nil, err
	}
	vehicle.DisplayName = f.scenario.Vehicle
	v, err := f.vehicles.CreateVehicle(ctx, &pb.CreateVehicleRequest{Vehicle: vehicle})
	if err != nil {
		return nil, err
	}
	// In this drive the second person is the one at the screen.
	s, err := f.sessions.CreateSession(ctx, &pb.CreateSessionRequest{
		Session: &pb.Session{Vehicle: v.GetVehicle().GetName(), DayConditions: day, SecondPersonConfirmed: true},
	})
	if err != nil {
		return nil, err
	}
	f.session = s.GetSession().GetName()
	c, err := f.adapters.StartCapture(ctx, &pb.StartCaptureRequest{
		Parent: f.session, Device: "adapters/" + simulator.Name + "/devices/" + f.scenario.Name,
	})
	if status.Code(err) == codes.Unavailable {
		return nil, &refusal{"the demo's adapter, this program itself, could not be started: " + status.Convert(err).Message()}
	}
	if err != nil {
		return nil, err
	}
	complaint := ""
	if day.GetComplaint() != "" {
		complaint = fmt.Sprintf("; the complaint: %s", day.GetComplaint())
	}
	f.show.Notef("%s%s; driven %g times as fast as real", f.scenario.Vehicle, complaint, f.speed)
	return c.GetCapture(), nil
}

// untilOver waits until the simulated vehicle has been switched off: then it does not answer any more.
func (f *frontEnd) untilOver(ctx context.Context, capture string) error {
	ticker := time.NewTicker(letLookUp)
	defer ticker.Stop()
	told := ""
	for {
		r, err := f.sessions.GetCapture(ctx, &pb.GetCaptureRequest{Name: capture})
		if err != nil {
			return err
		}
		switch feed := r.GetCapture().GetFeed(); feed.GetState() {
		case pb.CaptureFeedState_CAPTURE_FEED_STATE_RUNNING:
			told = ""
			f.feed.set(r.GetCapture())
			f.show.Refresh()
		case pb.CaptureFeedState_CAPTURE_FEED_STATE_WAITING, pb.CaptureFeedState_CAPTURE_FEED_STATE_BUS_ERRORS:
			if feed.GetMessage() != told {
				told = feed.GetMessage()
				f.show.Notef("waiting for the vehicle: %s", told)
			}
		default: // It is silent, or somebody else has finished the capture.
			return nil
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-ticker.C:
		}
	}
}

// end closes the session and reads the verdict.
func (f *frontEnd) end(ctx context.Context) error {
	closed, err := f.sessions.CloseSession(ctx, &pb.CloseSessionRequest{Name: f.session})
	if err != nil {
		return err
	}
	v, err := f.verdicts.GetVerdict(ctx, &pb.GetVerdictRequest{Name: closed.GetVerdict()})
	f.verdict = v.GetVerdict()
	return err
}

// watchProgress shows how far the drive has come, until the session is closed.
func (f *frontEnd) watchProgress(ctx context.Context) {
	stream, err := f.sessions.WatchProgress(ctx, &pb.WatchProgressRequest{Session: f.session})
	for err == nil {
		var state *pb.WatchProgressResponse
		if state, err = stream.Recv(); err == nil {
			f.show.Progress(state.GetProgress())
		}
	}
	f.missed(ctx, "progress", err)
}

// missed tells that something is not shown any more, unless that is as it should be.
func (f *frontEnd) missed(ctx context.Context, what string, err error) {
	if ctx.Err() == nil && !errors.Is(err, io.EOF) {
		f.show.Notef("the %s is not shown any more: %v", what, err)
	}
}

// watchPulls draws how much air flows while the pedal is down.
func (f *frontEnd) watchPulls(ctx context.Context, c *pb.Capture) {
	p := pullPoints{chart: f.pulls, signals: make([]string, len(c.GetSignals()))}
	for i, s := range c.GetSignals() {
		p.signals[i] = s.GetPath()
	}
	stream, err := f.sessions.WatchSamples(ctx, &pb.WatchSamplesRequest{Capture: c.GetName()})
	for err == nil {
		var r *pb.WatchSamplesResponse
		if r, err = stream.Recv(); err == nil {
			p.take(r.GetBatch())
		}
	}
	f.missed(ctx, "chart", err)
}

// pullPoints makes points of the meter's flow and the engine's speed while the pedal is down.
type pullPoints struct {
	chart   *live.Scatter
	signals []string
	speed   float64
	speedUS int64
	open    bool
}

const (
	// openPercent is a pedal or throttle that is nearly all open.
	openPercent = 80
	// pullRPM is where a pull may begin.
	pullRPM = 1300
	// togetherUS is how far apart flow and speed may be for one point, in microseconds.
	togetherUS = 200_000
)

func (p *pullPoints) take(b *pb.SampleBatch) {
	for i, s := range b.GetSignal() {
		t, v := b.GetBaseTimeUs()+b.GetOffsetUs()[i], b.GetValue()[i]
		switch p.signals[s] {
		case "Vehicle.OBD.EngineSpeed":
			p.speed, p.speedUS = v, t
		case "Vehicle.OBD.ThrottlePosition", "Vehicle.OBD.AcceleratorPositionD":
			p.open = v >= openPercent
		case "Vehicle.OBD.MAF":
			if p.open && p.speed > pullRPM && t-p.speedUS < togetherUS {
				p.chart.Add(p.speed, v)
			}
		}
	}
}
