// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/examples/roadtest/push"
)

// begin makes what a new drive needs.
func (r *roadtest) begin(ctx context.Context) error {
	vehicle, err := r.findVehicle(ctx)
	if err != nil {
		return err
	}
	response, err := push.Call(ctx, r.calls, r.sessions.CreateSession, &pb.CreateSessionRequest{
		Session: &pb.Session{
			Vehicle: vehicle, DayConditions: r.day, ExternalReference: r.o.reference,
			SecondPersonConfirmed: r.o.secondPerson, DynamometerConfirmed: r.o.dynamometer,
		},
		RequestId: uuid.NewString(),
	})
	if err != nil {
		return fmt.Errorf("creating the session: %w", err)
	}
	r.session = response.GetSession()
	return r.createCapture(ctx)
}

func (r *roadtest) createCapture(ctx context.Context) error {
	response, err := push.Call(ctx, r.calls, r.sessions.CreateCapture, &pb.CreateCaptureRequest{
		Parent: r.session.GetName(),
		Capture: &pb.Capture{
			Signals: dictionary(r.recording), Clock: clocks[r.recording.Clock],
			// The drive is driven now, whenever it was recorded.
			AnchorTime: timestamppb.New(time.Now()),
		},
		RequestId: uuid.NewString(),
	})
	if err != nil {
		return fmt.Errorf("creating the capture: %w", err)
	}
	r.capture = response.GetCapture()
	return nil
}

// findVehicle gives the name of the vehicle with the file's external reference, brought up to the
// file's facts, or of a new one.
func (r *roadtest) findVehicle(ctx context.Context) (string, error) {
	if r.vehicle.GetExternalReference() == "" {
		r.vehicle.ExternalReference = ownReference(r.vehicle)
	}
	found, err := push.Call(ctx, r.calls, r.vehicles.ListVehicles, &pb.ListVehiclesRequest{
		PageSize: 1, Filter: "external_reference = " + quoted(r.vehicle.GetExternalReference()),
	})
	if err != nil {
		return "", fmt.Errorf("looking for the vehicle: %w", err)
	}
	if len(found.GetVehicles()) > 0 {
		return r.updateVehicle(ctx, found.GetVehicles()[0])
	}
	made, err := push.Call(ctx, r.calls, r.vehicles.CreateVehicle, &pb.CreateVehicleRequest{Vehicle: r.vehicle, RequestId: uuid.NewString()})
	if err != nil {
		return "", fmt.Errorf("creating the vehicle: %w", err)
	}
	return made.GetVehicle().GetName(), nil
}

// ownReference finds a vehicle of the same facts again where the file gives no reference, so that trying
// the example ten times leaves one vehicle behind.
func ownReference(v *pb.Vehicle) string {
	facts, _ := proto.MarshalOptions{Deterministic: true}.Marshal(v) // Of a message that was just read.
	return fmt.Sprintf("roadtest-%x", sha256.Sum256(facts))[:25]
}

// quoted is a text in a filter.
func quoted(s string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(s) + `"`
}

// updateVehicle sets the facts that the file states. What it leaves out stays as the shop knows it.
func (r *roadtest) updateVehicle(ctx context.Context, stored *pb.Vehicle) (string, error) {
	wanted, mask := proto.CloneOf(stored), &fieldmaskpb.FieldMask{}
	r.vehicle.ProtoReflect().Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		if !stored.ProtoReflect().Get(field).Equal(value) {
			wanted.ProtoReflect().Set(field, value)
			mask.Paths = append(mask.Paths, string(field.Name()))
		}
		return true
	})
	if len(mask.GetPaths()) == 0 {
		return stored.GetName(), nil
	}
	r.show.Notef("%s is brought up to the vehicle file: %s", stored.GetName(), strings.Join(mask.GetPaths(), ", "))
	// A repeat needs no etag of its own: the same values set twice are set once.
	wanted.Etag = ""
	_, err := push.Call(ctx, r.calls, r.vehicles.UpdateVehicle, &pb.UpdateVehicleRequest{Vehicle: wanted, UpdateMask: mask})
	if err != nil {
		return "", fmt.Errorf("updating the vehicle: %w", err)
	}
	return stored.GetName(), nil
}

// resume finds the session and the capture of a drive that was ended.
func (r *roadtest) resume(ctx context.Context) error {
	session, capture, _ := strings.Cut(r.o.resume, "/captures/")
	found, err := push.Call(ctx, r.calls, r.sessions.GetSession, &pb.GetSessionRequest{Name: session})
	if err != nil {
		return fmt.Errorf("looking for %s: %w", session, err)
	}
	r.session = found.GetSession()
	if capture != "" {
		return r.findCapture(ctx, r.o.resume)
	}
	list, err := push.Call(ctx, r.calls, r.sessions.ListCaptures, &pb.ListCapturesRequest{Parent: session, PageSize: 2})
	if err != nil {
		return fmt.Errorf("looking for the capture of %s: %w", session, err)
	}
	switch captures := list.GetCaptures(); len(captures) {
	case 0:
		return r.createCapture(ctx)
	case 1:
		return r.findCapture(ctx, captures[0].GetName())
	}
	return refuse("%s has several captures; name one with --resume", session)
}

func (r *roadtest) findCapture(ctx context.Context, name string) error {
	found, err := push.Call(ctx, r.calls, r.sessions.GetCapture, &pb.GetCaptureRequest{Name: name})
	if err != nil {
		return fmt.Errorf("looking for %s: %w", name, err)
	}
	r.capture = found.GetCapture()
	here := &pb.Capture{Signals: dictionary(r.recording), Clock: clocks[r.recording.Clock]}
	there := &pb.Capture{Signals: r.capture.GetSignals(), Clock: r.capture.GetClock()}
	if !proto.Equal(here, there) {
		return refuse("%s was made for other signals than %s has; name the recording that it was begun with", name, r.o.recording)
	}
	return r.compare(ctx, 1, r.capture.GetLastSequence())
}

// compare reads batches back and holds them against the recording: going on behind the samples of
// another drive would make a verdict about neither.
func (r *roadtest) compare(ctx context.Context, from, to int64) error {
	if to > int64(len(r.batches)) {
		return refuse("%s holds %d batches and %s has %d; name the recording that it was begun with", r.capture.GetName(), to, r.o.recording, len(r.batches))
	}
	err := push.Repeat(ctx, r.calls, func(ctx context.Context) (err error) {
		from, err = r.compareFrom(ctx, from, to)
		return err
	})
	if err != nil {
		return fmt.Errorf("reading %s back: %w", r.capture.GetName(), err)
	}
	return nil
}

// compareFrom gives the first sequence that was not compared.
func (r *roadtest) compareFrom(ctx context.Context, from, to int64) (int64, error) {
	if from > to {
		return from, nil
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel() // The stream would go on with what is pushed next.
	stream, err := r.sessions.WatchSamples(ctx, &pb.WatchSamplesRequest{Capture: r.capture.GetName(), StartSequence: from})
	if err != nil {
		return from, err
	}
	for from <= to {
		response, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return from, fmt.Errorf("%w: it ends before batch %d, which it said it has", push.ErrBroken, from)
		}
		if err != nil {
			return from, err
		}
		if !proto.Equal(response.GetBatch(), r.batches[from-1]) {
			return from, refuse("%s has other samples in batch %d; name the recording that the drive was begun with", r.o.recording, from)
		}
		from++
	}
	return from, nil
}
