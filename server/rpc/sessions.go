// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"context"
	"time"

	"google.golang.org/grpc"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page/wording"
	"github.com/airassay/airassay/server/session"
)

// sessions is airassay.v1beta1.SessionService; PushSamples is in push.go.
type sessions struct {
	pb.UnimplementedSessionServiceServer
	*Server
}

// CreateSession is airassay.v1beta1.SessionService.CreateSession.
func (s *sessions) CreateSession(ctx context.Context, r *pb.CreateSessionRequest) (*pb.CreateSessionResponse, error) {
	created, err := s.manager.CreateSession(ctx, shopOf(ctx), r.GetSession(), r.GetRequestId())
	if err != nil {
		return nil, within("session", r, err)
	}
	return &pb.CreateSessionResponse{Session: created}, nil
}

// GetSession is airassay.v1beta1.SessionService.GetSession.
func (s *sessions) GetSession(ctx context.Context, r *pb.GetSessionRequest) (*pb.GetSessionResponse, error) {
	found, err := s.manager.GetSession(ctx, shopOf(ctx), r.GetName())
	if err != nil {
		return nil, err
	}
	return &pb.GetSessionResponse{Session: found}, nil
}

// ListSessions is airassay.v1beta1.SessionService.ListSessions.
func (s *sessions) ListSessions(ctx context.Context, r *pb.ListSessionsRequest) (*pb.ListSessionsResponse, error) {
	return fitting(listOptions(r), func(o session.ListOptions) (*pb.ListSessionsResponse, error) {
		page, next, err := s.manager.ListSessions(ctx, shopOf(ctx), o)
		if err != nil {
			return nil, err
		}
		return &pb.ListSessionsResponse{Sessions: page, NextPageToken: next}, nil
	})
}

// UpdateSession is airassay.v1beta1.SessionService.UpdateSession.
func (s *sessions) UpdateSession(ctx context.Context, r *pb.UpdateSessionRequest) (*pb.UpdateSessionResponse, error) {
	changed, err := s.manager.UpdateSession(ctx, shopOf(ctx), r.GetSession(), r.GetUpdateMask().GetPaths())
	if err != nil {
		return nil, within("session", r, err)
	}
	return &pb.UpdateSessionResponse{Session: changed}, nil
}

// CloseSession is airassay.v1beta1.SessionService.CloseSession.
func (s *sessions) CloseSession(ctx context.Context, r *pb.CloseSessionRequest) (*pb.CloseSessionResponse, error) {
	defer s.evaluated(ctx, time.Now())
	closed, verdict, err := s.manager.CloseSession(ctx, shopOf(ctx), r.GetName())
	if err != nil {
		return nil, err
	}
	return &pb.CloseSessionResponse{Session: closed, Verdict: verdict}, nil
}

// CreateCapture is airassay.v1beta1.SessionService.CreateCapture.
func (s *sessions) CreateCapture(ctx context.Context, r *pb.CreateCaptureRequest) (*pb.CreateCaptureResponse, error) {
	created, err := s.manager.CreateCapture(ctx, shopOf(ctx), r.GetParent(), r.GetCapture(), r.GetRequestId())
	if err != nil {
		return nil, within("capture", r, err)
	}
	return &pb.CreateCaptureResponse{Capture: created}, nil
}

// GetCapture is airassay.v1beta1.SessionService.GetCapture.
func (s *sessions) GetCapture(ctx context.Context, r *pb.GetCaptureRequest) (*pb.GetCaptureResponse, error) {
	found, err := s.manager.GetCapture(ctx, shopOf(ctx), r.GetName())
	if err != nil {
		return nil, err
	}
	return &pb.GetCaptureResponse{Capture: found}, nil
}

// ListCaptures is airassay.v1beta1.SessionService.ListCaptures.
func (s *sessions) ListCaptures(ctx context.Context, r *pb.ListCapturesRequest) (*pb.ListCapturesResponse, error) {
	return fitting(listOptions(r), func(o session.ListOptions) (*pb.ListCapturesResponse, error) {
		page, next, err := s.manager.ListCaptures(ctx, shopOf(ctx), r.GetParent(), o)
		if err != nil {
			return nil, err
		}
		return &pb.ListCapturesResponse{Captures: page, NextPageToken: next}, nil
	})
}

// FinishCapture is airassay.v1beta1.SessionService.FinishCapture.
func (s *sessions) FinishCapture(ctx context.Context, r *pb.FinishCaptureRequest) (*pb.FinishCaptureResponse, error) {
	finished, err := s.manager.FinishCapture(ctx, shopOf(ctx), r.GetName())
	if err != nil {
		return nil, err
	}
	return &pb.FinishCaptureResponse{Capture: finished}, nil
}

// WatchSamples is airassay.v1beta1.SessionService.WatchSamples.
func (s *sessions) WatchSamples(r *pb.WatchSamplesRequest, stream grpc.ServerStreamingServer[pb.WatchSamplesResponse]) error {
	ctx := stream.Context()
	for batch, err := range s.manager.WatchSamples(ctx, shopOf(ctx), r.GetCapture(), r.GetStartSequence()) {
		if err != nil {
			return err
		}
		if err := stream.Send(&pb.WatchSamplesResponse{Batch: batch}); err != nil {
			return err
		}
	}
	return nil
}

// WatchProgress is airassay.v1beta1.SessionService.WatchProgress.
func (s *sessions) WatchProgress(r *pb.WatchProgressRequest, stream grpc.ServerStreamingServer[pb.WatchProgressResponse]) error {
	ctx := stream.Context()
	words := wording.For(r.GetLanguageCode())
	for state, err := range s.manager.WatchProgress(ctx, shopOf(ctx), r.GetSession()) {
		if err != nil {
			return err
		}
		state.Progress.Prompt = prompt(words, &state)
		if err := stream.Send(&pb.WatchProgressResponse{Progress: state.Progress, Dropped: state.Dropped}); err != nil {
			return err
		}
	}
	return nil
}

const (
	// confirmFirst stands where a pull is among the next steps and nobody has confirmed what it takes.
	confirmFirst = "A full-load pull waits until a second person who reads the screen, or a dynamometer, is confirmed in the session."
	// atTheEnd stands where the next step is one for the workshop.
	atTheEnd = "Enough was driven for a verdict: stop where it is safe, or drive on to sharpen it. " +
		"What to do at the vehicle, and with what care, it says when the session is closed."
)

// prompt says what to do next. While the session is open somebody may be driving, and what is to be done to the vehicle
// waits for the verdict.
func prompt(words wording.Catalogue, state *session.ProgressState) string {
	text := ""
	if next := state.Progress.GetNext(); len(next) > 0 && state.Closed {
		text = words.AdviceBecause(next[0], state.Progress.GetNextTests())
	} else if len(next) > 0 {
		text = whileDriving(words, next, state.Progress.GetNextTests())
	}
	if !state.ConfirmationMissing || state.Closed {
		return text
	}
	if text == "" {
		return confirmFirst
	}
	return text + " " + confirmFirst
}

// whileDriving is the first of the next steps that can be driven.
func whileDriving(words wording.Catalogue, next []*pb.Advice, tests []*pb.NextTest) string {
	for _, a := range next {
		if a.GetAction() == pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN {
			return words.AdviceBecause(a, tests)
		}
	}
	if next[0].GetAction() == pb.AdviceAction_ADVICE_ACTION_LEAVE_ALONE {
		return words.AdviceWithCautions(next[0])
	}
	return atTheEnd
}
