// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strconv"
	"strings"

	"google.golang.org/grpc"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/session"
)

// maxRecordingSamples bounds the memory of one file that is read: 120 MB, half a
// day at 100 samples a second. Batches are judged as they come and need none.
const maxRecordingSamples = 5_000_000

// readers is how many files are read at once: one for each processor, since
// reading and judging does nothing but compute.
func readers() int { return max(1, runtime.GOMAXPROCS(0)) }

type recordingStream = grpc.ClientStreamingServer[pb.AssayRecordingRequest, pb.AssayRecordingResponse]

// AssayRecording is airassay.v1beta1.VerdictService.AssayRecording.
func (s *verdicts) AssayRecording(stream recordingStream) error {
	ctx, cancel := context.WithTimeout(stream.Context(), s.limits.RecordingTime)
	defer cancel()
	select {
	case s.recordings <- struct{}{}:
		defer func() { <-s.recordings }()
	default:
		return refuse(pb.ErrorReason_ERROR_REASON_TOO_MANY_STREAMS,
			fmt.Sprintf("%d recordings are being sent, and the server takes no more at once; come back after the delay", s.limits.Recordings))
	}
	in := &inbox{messages: make(chan *pb.AssayRecordingRequest), done: make(chan struct{})}
	// A receive ends only when the handler has returned, so nobody waits for this goroutine.
	go func() {
		defer close(in.done)
		in.err = s.guarded(ctx, "AssayRecording, receiving", func() error { return in.receive(ctx, stream) })
	}()
	header, err := in.header(ctx)
	if err != nil {
		return err
	}
	assessment, err := s.judge(ctx, in, header)
	if err != nil {
		return within("header", &pb.AssayRecordingRequest{}, err)
	}
	return stream.SendAndClose(&pb.AssayRecordingResponse{
		Verdict: inWords(&pb.Verdict{Assessment: assessment}, header.GetLanguageCode()),
	})
}

func (s *verdicts) judge(ctx context.Context, in *inbox, h *pb.RecordingHeader) (*pb.Assessment, error) {
	switch byFile := h.GetFileName() != "" || h.GetMappingJson() != ""; {
	case len(h.GetSignals()) > 0 && byFile:
		return nil, invalid("signals", "are declared beside file_name or mapping_json; send either batches or a file")
	case len(h.GetSignals()) > 0:
		return judgeBatches(ctx, in, h)
	case byFile:
		return s.judgeFile(ctx, in, h)
	}
	return nil, invalid("signals", "are missing, and so is file_name; declare signals for batches, or name the file that follows")
}

// inbox hands the messages of a stream to its handler, so that a handler that
// waits for the next one notices the end of its context.
type inbox struct {
	messages chan *pb.AssayRecordingRequest
	// done is closed when no more will come; err says why, io.EOF for the client's end.
	done chan struct{}
	err  error
}

func (in *inbox) receive(ctx context.Context, stream recordingStream) error {
	for {
		m, err := stream.Recv()
		if err != nil {
			return err
		}
		select {
		case in.messages <- m:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// next waits for a message, and gives io.EOF behind the last.
func (in *inbox) next(ctx context.Context) (*pb.AssayRecordingRequest, error) {
	select {
	case m := <-in.messages:
		return m, nil
	case <-in.done:
		return nil, in.err
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

func (in *inbox) header(ctx context.Context) (*pb.RecordingHeader, error) {
	m, err := in.next(ctx)
	switch {
	case errors.Is(err, io.EOF):
		return nil, invalid("header", "is missing; the stream ended before its first message")
	case err != nil:
		return nil, err
	case m.GetHeader() == nil:
		return nil, invalid("header", "is missing; the first message says what the recording is")
	}
	return m.GetHeader(), nil
}

// judgeBatches judges samples as they come, as those of a session's only capture.
func judgeBatches(ctx context.Context, in *inbox, h *pb.RecordingHeader) (*pb.Assessment, error) {
	capture := &pb.Capture{Signals: h.GetSignals(), Clock: h.GetClock()}
	feed, err := newFeed(FactsFromProto(h.GetVehicle(), h.GetDayConditions()), capture)
	if err != nil {
		return nil, err
	}
	for {
		m, err := in.next(ctx)
		switch {
		case errors.Is(err, io.EOF):
			return AssessmentToProto(feed.assay.Assess()), nil
		case err != nil:
			return nil, err
		case m.GetBatch() == nil:
			return nil, invalid("batch", "is missing; the header declares signals, so that only batches may follow")
		}
		if err := feed.push(m.GetBatch()); err != nil {
			return nil, within("batch", m, err)
		}
	}
}

// judgeFile keeps the file for as long as it is read, and judges what is in it.
func (s *verdicts) judgeFile(ctx context.Context, in *inbox, h *pb.RecordingHeader) (*pb.Assessment, error) {
	m, err := mappingOf(h)
	if err != nil {
		return nil, err
	}
	f, err := os.CreateTemp("", "airassay-recording-*")
	if err != nil {
		return nil, fmt.Errorf("keeping the recording while it is read: %w", err)
	}
	defer func() { _ = errors.Join(f.Close(), os.Remove(f.Name())) }() // Whatever is left is in the directory for temporary files.
	if err := s.spool(ctx, in, f); err != nil {
		return nil, err
	}
	select {
	case s.reading <- struct{}{}:
		defer func() { <-s.reading }()
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
	rec, err := readFile(ctx, f, fileName(h), m)
	if err != nil {
		return nil, err
	}
	return JudgeRecording(ctx, rec, h.GetVehicle(), h.GetDayConditions())
}

// fileName is what errors call the file.
func fileName(h *pb.RecordingHeader) string {
	if h.GetFileName() == "" {
		return "recording"
	}
	return h.GetFileName()
}

func mappingOf(h *pb.RecordingHeader) (*recording.Mapping, error) {
	if h.GetMappingJson() == "" {
		return nil, nil //nolint:nilnil // No mapping is a way to read a file.
	}
	return recording.ReadMapping(strings.NewReader(h.GetMappingJson()), "mapping_json")
}

// spool writes the pieces of a file to the disk, as many bytes as are allowed.
func (s *verdicts) spool(ctx context.Context, in *inbox, f *os.File) error {
	var size int64
	for {
		m, err := in.next(ctx)
		if errors.Is(err, io.EOF) {
			_, err = f.Seek(0, io.SeekStart)
			return err
		}
		if err != nil {
			return err
		}
		if _, ok := m.GetMessage().(*pb.AssayRecordingRequest_FileChunk); !ok {
			return invalid("file_chunk", "is missing; the header names a file, so that only its pieces may follow")
		}
		if size += int64(len(m.GetFileChunk())); size > s.limits.RecordingBytes {
			return tooLarge(s.limits.RecordingBytes)
		}
		if _, err := f.Write(m.GetFileChunk()); err != nil {
			return fmt.Errorf("keeping the recording while it is read: %w", err)
		}
	}
}

func tooLarge(limit int64) error {
	e := refuse(pb.ErrorReason_ERROR_REASON_BATCH_TOO_LARGE,
		fmt.Sprintf("the file has more than %d bytes; open a session and push its samples instead", limit))
	e.Metadata = map[string]string{"max_bytes": strconv.FormatInt(limit, 10)}
	return e
}

// readFile reads our own format, by the mapping, or by the mapping that the
// file's headers propose beyond doubt.
func readFile(ctx context.Context, f io.ReadSeeker, name string, m *recording.Mapping) (*recording.Recording, error) {
	ours, err := recording.IsOurs(f)
	if err != nil {
		return nil, fmt.Errorf("reading the recording that was kept: %w", err)
	}
	if m == nil && !ours {
		if m, err = agreedMapping(ctx, f, name); err != nil {
			return nil, err
		}
	}
	return recording.Read(ctx, f, name, recording.Options{Mapping: m, MaxSamples: maxRecordingSamples})
}

func agreedMapping(ctx context.Context, f io.ReadSeeker, name string) (*recording.Mapping, error) {
	p, err := recording.Propose(ctx, f, name)
	if err != nil {
		return nil, err
	}
	if len(p.Open()) > 0 {
		return nil, ambiguous(p)
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, fmt.Errorf("reading the recording that was kept: %w", err)
	}
	return p.Mapping, nil
}

// ambiguous lists what a file leaves open: question_1, choice_1a, choice_1b and so on.
func ambiguous(p *recording.Proposal) error {
	const shown = 10 // Of each kind; a trailer has room for no more.
	e := refuse(pb.ErrorReason_ERROR_REASON_MAPPING_AMBIGUOUS,
		fmt.Sprintf("%s leaves %d questions open; answer them in mapping_json, which \"airassayd mapping --choose\" writes", p.File, len(p.Open())))
	e.Metadata = map[string]string{}
	for i, a := range p.Ambiguities {
		if a.Chosen >= 0 || i >= shown {
			continue
		}
		e.Metadata["question_"+strconv.Itoa(i+1)] = a.Question
		for k, c := range a.Choices[:min(shown, len(a.Choices))] {
			e.Metadata[fmt.Sprintf("choice_%d%c", i+1, 'a'+rune(k))] = c
		}
	}
	return e
}

// unreadable carries where and what of a recording's error to the caller.
func unreadable(content *recording.Error) *session.Error {
	e := refuse(pb.ErrorReason_ERROR_REASON_RECORDING_UNREADABLE, content.Error())
	e.Metadata = map[string]string{"file": content.File, "kind": string(content.Kind)}
	for name, n := range map[string]int{"line": content.Line, "column": content.Column} {
		if n > 0 {
			e.Metadata[name] = strconv.Itoa(n)
		}
	}
	for name, text := range map[string]string{"header": content.Header, "got": content.Got, "expected": content.Expected, "hint": content.Hint} {
		if text != "" {
			e.Metadata[name] = text
		}
	}
	return e
}

// asDeclared tells the assay that a sample's time is as uncertain as its
// signal's declaration says.
const asDeclared = -1

// contextSamples is how many samples are judged between looks at the context,
// some ten milliseconds.
const contextSamples = 1 << 14

// JudgeRecording runs a whole recording through the assay. Vehicle and day may
// be nil. The only errors are the context's and a signal in a unit that is not
// its own, which readers of recordings never give.
func JudgeRecording(ctx context.Context, rec *recording.Recording, vehicle *pb.Vehicle, day *pb.DayConditions) (*pb.Assessment, error) {
	a := assay.New(FactsFromProto(vehicle, day))
	defs := make([]assay.SignalDef, len(rec.Signals))
	for i, s := range rec.Signals {
		defs[i] = assay.SignalDef{Path: s.Path, Unit: s.Unit, TimeUncertaintyUS: s.TimeUncertaintyUS}
	}
	const capture = 0
	// The kinds of clock have the same numbers in the recording, the API and the assay; a test holds them to it.
	if err := a.Declare(capture, assay.Clock(rec.Clock), defs); err != nil {
		return nil, fmt.Errorf("declaring the recording's signals: %w", err)
	}
	for i, x := range rec.Samples {
		if i%contextSamples == 0 && ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
		a.Push(assay.Sample{Capture: capture, Signal: x.Signal, TimeUS: x.TimeUS, Value: x.Value, UncertaintyUS: asDeclared})
	}
	return AssessmentToProto(a.Assess()), nil
}
