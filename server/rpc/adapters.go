// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"context"
	"encoding/base64"
	"slices"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
)

// adapterService is airassay.v1beta1.AdapterService.
type adapterService struct {
	pb.UnimplementedAdapterServiceServer
	*Server
}

// GetAdapter is airassay.v1beta1.AdapterService.GetAdapter.
func (s *adapterService) GetAdapter(_ context.Context, r *pb.GetAdapterRequest) (*pb.GetAdapterResponse, error) {
	a, err := s.adapters.Get(r.GetName())
	if err != nil {
		return nil, err
	}
	return &pb.GetAdapterResponse{Adapter: a}, nil
}

// ListAdapters is airassay.v1beta1.AdapterService.ListAdapters.
func (s *adapterService) ListAdapters(_ context.Context, r *pb.ListAdaptersRequest) (*pb.ListAdaptersResponse, error) {
	return fitting(listOptions(r), func(o session.ListOptions) (*pb.ListAdaptersResponse, error) {
		page, next, err := pageByName(s.adapters.List(), "adapters", o)
		if err != nil {
			return nil, err
		}
		return &pb.ListAdaptersResponse{Adapters: page, NextPageToken: next}, nil
	})
}

// ResetAdapter is airassay.v1beta1.AdapterService.ResetAdapter.
func (s *adapterService) ResetAdapter(_ context.Context, r *pb.ResetAdapterRequest) (*pb.ResetAdapterResponse, error) {
	a, err := s.adapters.Reset(r.GetName())
	if err != nil {
		return nil, err
	}
	return &pb.ResetAdapterResponse{Adapter: a}, nil
}

// ListDevices is airassay.v1beta1.AdapterService.ListDevices.
func (s *adapterService) ListDevices(ctx context.Context, r *pb.ListDevicesRequest) (*pb.ListDevicesResponse, error) {
	devices, unreachable, err := s.adapters.Devices(ctx, shopOf(ctx), r.GetParent())
	if err != nil {
		return nil, err
	}
	return fitting(listOptions(r), func(o session.ListOptions) (*pb.ListDevicesResponse, error) {
		page, next, err := pageByName(devices, r.GetParent(), o)
		if err != nil {
			return nil, err
		}
		return &pb.ListDevicesResponse{Devices: page, NextPageToken: next, Unreachable: unreachable}, nil
	})
}

// StartCapture is airassay.v1beta1.AdapterService.StartCapture.
func (s *adapterService) StartCapture(ctx context.Context, r *pb.StartCaptureRequest) (*pb.StartCaptureResponse, error) {
	c, err := s.adapters.StartCapture(ctx, shopOf(ctx), r)
	if err != nil {
		return nil, within("capture", r, err)
	}
	return &pb.StartCaptureResponse{Capture: c}, nil
}

// ResumeCapture is airassay.v1beta1.AdapterService.ResumeCapture.
func (s *adapterService) ResumeCapture(ctx context.Context, r *pb.ResumeCaptureRequest) (*pb.ResumeCaptureResponse, error) {
	c, err := s.adapters.ResumeCapture(ctx, shopOf(ctx), r.GetName())
	if err != nil {
		return nil, err
	}
	return &pb.ResumeCaptureResponse{Capture: c}, nil
}

// ReadVehicle is airassay.v1beta1.AdapterService.ReadVehicle.
func (s *adapterService) ReadVehicle(ctx context.Context, r *pb.ReadVehicleRequest) (*pb.ReadVehicleResponse, error) {
	report, err := s.adapters.ReadVehicle(ctx, shopOf(ctx), r.GetName())
	if err != nil {
		return nil, err
	}
	return &pb.ReadVehicleResponse{VehicleReport: report}, nil
}

// pageByName cuts a page out of a list that is in the order of its names. The token holds the parent and the last name
// of the page before, so that what comes and goes between pages neither repeats nor hides the others.
func pageByName[T interface{ GetName() string }](all []T, parent string, o session.ListOptions) (page []T, next string, err error) {
	start := 0
	if o.PageToken != "" {
		raw, err := base64.RawURLEncoding.Strict().DecodeString(o.PageToken)
		of, last, ok := strings.Cut(string(raw), " ")
		if err != nil || !ok || of != parent {
			return nil, "", &session.Error{Reason: pb.ErrorReason_ERROR_REASON_INVALID_PAGE_TOKEN, Violations: []session.Violation{
				{Field: "page_token", Description: "is not one that this list gave; start again with the first page"},
			}}
		}
		start, _ = slices.BinarySearchFunc(all, last+"\x00", func(a T, name string) int { return strings.Compare(a.GetName(), name) })
	}
	end := min(start+o.PageSize, len(all))
	page = all[start:end]
	if end < len(all) {
		next = base64.RawURLEncoding.EncodeToString([]byte(parent + " " + all[end-1].GetName()))
	}
	return page, next, nil
}
