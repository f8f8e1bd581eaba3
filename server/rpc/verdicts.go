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

// verdicts is airassay.v1beta1.VerdictService; AssayRecording is in recording.go.
type verdicts struct {
	pb.UnimplementedVerdictServiceServer
	*Server
}

// AssessSession is airassay.v1beta1.VerdictService.AssessSession.
func (s *verdicts) AssessSession(ctx context.Context, r *pb.AssessSessionRequest) (*pb.AssessSessionResponse, error) {
	defer s.evaluated(ctx, time.Now())
	v, err := s.manager.AssessSession(ctx, shopOf(ctx), r.GetSession())
	if err != nil {
		return nil, err
	}
	return &pb.AssessSessionResponse{Verdict: inWords(v, r.GetLanguageCode())}, nil
}

// GetVerdict is airassay.v1beta1.VerdictService.GetVerdict.
func (s *verdicts) GetVerdict(ctx context.Context, r *pb.GetVerdictRequest) (*pb.GetVerdictResponse, error) {
	v, err := s.manager.GetVerdict(ctx, shopOf(ctx), r.GetName())
	if err != nil {
		return nil, err
	}
	return &pb.GetVerdictResponse{Verdict: inWords(v, r.GetLanguageCode())}, nil
}

// ListVerdicts is airassay.v1beta1.VerdictService.ListVerdicts.
func (s *verdicts) ListVerdicts(ctx context.Context, r *pb.ListVerdictsRequest) (*pb.ListVerdictsResponse, error) {
	return fitting(listOptions(r), func(o session.ListOptions) (*pb.ListVerdictsResponse, error) {
		page, next, err := s.manager.ListVerdicts(ctx, shopOf(ctx), r.GetParent(), o)
		if err != nil {
			return nil, err
		}
		for _, v := range page {
			inWords(v, r.GetLanguageCode())
		}
		return &pb.ListVerdictsResponse{Verdicts: page, NextPageToken: next}, nil
	})
}

// ReassessSession is airassay.v1beta1.VerdictService.ReassessSession.
func (s *verdicts) ReassessSession(ctx context.Context, r *pb.ReassessSessionRequest) (*pb.ReassessSessionResponse, error) {
	defer s.evaluated(ctx, time.Now())
	v, err := s.manager.ReassessSession(ctx, shopOf(ctx), r.GetSession(), r.GetRequestId())
	if err != nil {
		return nil, err
	}
	return &pb.ReassessSessionResponse{Verdict: inWords(v, r.GetLanguageCode())}, nil
}

// WatchVerdict is airassay.v1beta1.VerdictService.WatchVerdict.
func (s *verdicts) WatchVerdict(r *pb.WatchVerdictRequest, stream grpc.ServerStreamingServer[pb.WatchVerdictResponse]) error {
	ctx := stream.Context()
	for state, err := range s.manager.WatchVerdict(ctx, shopOf(ctx), r.GetSession()) {
		if err != nil {
			return err
		}
		v := inWords(state.Verdict, r.GetLanguageCode())
		if err := stream.Send(&pb.WatchVerdictResponse{Verdict: v, Dropped: state.Dropped}); err != nil {
			return err
		}
	}
	return nil
}

// evaluated measures a verdict since it was asked for.
func (s *Server) evaluated(ctx context.Context, since time.Time) {
	s.instruments.Evaluated(ctx, time.Since(since))
}

// inWords fills in the text of a verdict that belongs to the caller.
func inWords(v *pb.Verdict, languageCode string) *pb.Verdict {
	v.Text = wording.Text(v.GetAssessment(), languageCode)
	return v
}
