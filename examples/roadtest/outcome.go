// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/pflag"
	"golang.org/x/term"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/examples/roadtest/push"
	"github.com/airassay/airassay/sdk/page"
	"github.com/airassay/airassay/sdk/page/live"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/sdk/recording/vehiclefile"
)

// Exit statuses. Those above 2 are of sysexits.h.
const (
	statusDone        = 0
	statusEnded       = 1
	statusRefused     = 2
	statusUnavailable = 69
	statusInternal    = 70
	// statusSignal and the signal's number are what a shell reports.
	statusSignal = 128
)

// interrupted is the cause of a context that a signal ended.
type interrupted struct{ signal os.Signal }

func (i interrupted) Error() string { return "ended by " + i.signal.String() }

// run is the program: its arguments in, its exit status out.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	o, err := parse(args)
	if errors.Is(err, pflag.ErrHelp) {
		_, err = io.WriteString(stdout, help())
		return tell(stderr, err)
	}
	if err != nil {
		return tell(stderr, err)
	}
	r := &roadtest{o: o}
	verdict, err := r.test(ctx, stderr)
	if err != nil {
		code := tell(stderr, err)
		r.tellHow(stderr, err)
		return code
	}
	out, err := r.render(verdict, stdout)
	if err == nil {
		_, err = stdout.Write(out)
	}
	return tell(stderr, err)
}

// test reads the input, connects and drives.
func (r *roadtest) test(ctx context.Context, stderr io.Writer) (verdict *pb.Verdict, err error) {
	if r.recording, err = readRecording(ctx, r.o.recording, r.o.mapping); err != nil {
		return nil, err
	}
	if r.o.resume == "" {
		if r.vehicle, r.day, err = readFacts(r.o.vehicle, r.o.recording); err != nil {
			return nil, err
		}
	}
	r.batches = cut(r.recording.Samples)
	r.show = newDisplay(stderr, nil, r.batches)
	defer r.show.End()
	conn, err := r.dial()
	if err != nil {
		return nil, err
	}
	defer conn.Close() //nolint:errcheck // Everything that matters is acknowledged.
	r.vehicles, r.sessions, r.verdicts = pb.NewVehicleServiceClient(conn), pb.NewSessionServiceClient(conn), pb.NewVerdictServiceClient(conn)
	r.calls = push.Options{Wait: r.o.wait, Notify: r.notify}
	return r.drive(ctx)
}

func (r *roadtest) dial() (*grpc.ClientConn, error) {
	var secure []grpc.DialOption
	if r.o.tlsCA != "" {
		believed, err := credentials.NewClientTLSFromFile(r.o.tlsCA, "")
		if err != nil {
			return nil, usage("--tls-ca: %v; expected a file of certificates in PEM", err)
		}
		secure = append(secure, grpc.WithTransportCredentials(believed))
	}
	conn, err := push.Dial(r.o.server, secure...)
	if err != nil {
		return nil, &usageError{err.Error()}
	}
	return conn, nil
}

// tellEvery is how often somebody who waits wants to know that there is still hope.
const tellEvery = 10 * time.Second

// notify tells about a connection that is lost or back.
func (r *roadtest) notify(e push.Event) {
	switch {
	case e.Lost != nil && e.Away > r.toldAway && e.Away < r.toldAway+tellEvery && r.toldAway > 0:
	case e.Lost != nil:
		r.toldAway = e.Away
		r.show.Notef("%s is away (%s); trying again, for %s at most", r.o.server, status.Convert(e.Lost).Message(), (r.o.wait - e.Away).Round(time.Second))
	case e.Sequence > 0:
		r.show.Notef("%s is back after %s; going on behind batch %d", r.o.server, e.Away.Round(time.Millisecond), e.Sequence)
	default:
		r.show.Notef("%s is back after %s", r.o.server, e.Away.Round(time.Millisecond))
	}
	if e.Lost == nil {
		r.toldAway = 0
	}
}

// tell says what went wrong, and gives the exit status.
func tell(stderr io.Writer, err error) int {
	code, text := explain(err)
	if text != "" {
		_, _ = fmt.Fprintf(stderr, "%s: %s\n", program, live.Printable(text))
	}
	return code
}

func explain(err error) (int, string) {
	var (
		bad         *usageError
		own         *refusal
		content     *recording.Error
		facts       *vehiclefile.Error
		stopped     interrupted
		unreachable *push.UnreachableError
	)
	switch {
	case err == nil:
		return statusDone, ""
	case errors.As(err, &bad):
		return statusRefused, bad.text + "; see: " + program + " --help"
	case errors.As(err, &own):
		return statusRefused, own.text
	case errors.As(err, &content), errors.As(err, &facts):
		return statusRefused, err.Error()
	case errors.As(err, &stopped):
		number, _ := stopped.signal.(syscall.Signal)
		return statusSignal + int(number), stopped.Error() + "; what has arrived is safe, and the session stays open"
	case errors.As(err, &unreachable):
		return statusUnavailable, unreachable.Error()
	}
	return explainAnswer(err)
}

// explainAnswer explains what the server refused.
func explainAnswer(err error) (int, string) {
	said := status.Convert(err).Message()
	switch push.Reason(err) {
	case pb.ErrorReason_ERROR_REASON_WRITER_FENCED:
		return statusEnded, "another writer has taken this capture over, so this one stops: " + said
	case pb.ErrorReason_ERROR_REASON_BATCH_CONFLICT:
		return statusEnded, "the server already has other samples where these belong, so another source writes into this capture: " + said
	case pb.ErrorReason_ERROR_REASON_SESSION_CLOSED:
		return statusEnded, "somebody has closed the session, and it takes no more samples: " + said
	case pb.ErrorReason_ERROR_REASON_CAPTURE_FINISHED:
		return statusEnded, "somebody has finished the capture, and it takes no more samples: " + said
	case pb.ErrorReason_ERROR_REASON_TIME_OUT_OF_SESSION:
		return statusRefused, "the recording reaches further ahead than the server takes; push it slower, or a shorter one: " + said
	case pb.ErrorReason_ERROR_REASON_INVALID_FIELD, pb.ErrorReason_ERROR_REASON_WRONG_UNIT, pb.ErrorReason_ERROR_REASON_NOT_FOUND:
		return statusRefused, "the server refuses: " + said
	case pb.ErrorReason_ERROR_REASON_TOO_MANY_STREAMS, pb.ErrorReason_ERROR_REASON_UNAVAILABLE:
		return statusUnavailable, "the server takes no more: " + said
	}
	switch status.Code(err) {
	case codes.Unimplemented:
		return statusUnavailable, "what answers there is no Airassay server, or not of this version: " + said
	case codes.PermissionDenied, codes.Unauthenticated:
		return statusEnded, "the server does not let this caller in: " + said
	}
	return statusInternal, err.Error()
}

// tellHow says how to go on with a drive that is not over.
func (r *roadtest) tellHow(stderr io.Writer, err error) {
	if r.session == nil || r.session.GetState() == pb.SessionState_SESSION_STATE_CLOSED {
		return
	}
	switch push.Reason(err) {
	case pb.ErrorReason_ERROR_REASON_SESSION_CLOSED, pb.ErrorReason_ERROR_REASON_BATCH_CONFLICT:
		return
	}
	if _, own := errors.AsType[*refusal](err); own {
		return
	}
	_, _ = fmt.Fprintf(stderr, "%s: to go on with the drive: %s\n", program, live.Printable(r.resumeCommand()))
}

// resumeCommand is what goes on with this drive.
func (r *roadtest) resumeCommand() string {
	name := r.session.GetName()
	if r.capture != nil {
		name = r.capture.GetName()
	}
	words := []string{program, "--server", shellWord(r.o.server), "--resume", name}
	if r.o.tlsCA != "" {
		words = append(words, "--tls-ca", shellWord(r.o.tlsCA))
	}
	if r.o.mapping != "" {
		words = append(words, "--mapping", shellWord(r.o.mapping))
	}
	if r.o.json {
		words = append(words, "--json")
	}
	return strings.Join(append(words, "--speed", r.o.speed.String(), "--", shellWord(r.o.recording)), " ")
}

// render makes the result of the program.
func (r *roadtest) render(v *pb.Verdict, stdout io.Writer) ([]byte, error) {
	if r.o.json {
		return verdictJSON(v)
	}
	o := page.Options{Source: filepath.Base(r.o.recording)}
	if fd, ok := live.Terminal(stdout); ok {
		o.Width, _, _ = term.GetSize(fd)
		o.Colour = os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb" //nolint:misspell // The convention's spelling.
	}
	var b bytes.Buffer
	if err := page.Write(&b, v, o); err != nil {
		return nil, fmt.Errorf("laying out the verdict: %w", err)
	}
	return b.Bytes(), nil
}

// verdictJSON is the message in proto3 JSON, the same bytes for the same message: the library
// varies its white space on purpose.
func verdictJSON(v *pb.Verdict) ([]byte, error) {
	raw, err := protojson.MarshalOptions{EmitUnpopulated: true}.Marshal(v)
	if err != nil {
		return nil, fmt.Errorf("writing the verdict as JSON: %w", err)
	}
	var compact, out bytes.Buffer
	if err := json.Compact(&compact, raw); err != nil {
		return nil, fmt.Errorf("writing the verdict as JSON: %w", err)
	}
	if err := json.Indent(&out, compact.Bytes(), "", "  "); err != nil {
		return nil, fmt.Errorf("writing the verdict as JSON: %w", err)
	}
	out.WriteByte('\n')
	return out.Bytes(), nil
}
