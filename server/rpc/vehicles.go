// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"context"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
)

// vehicles is airassay.v1beta1.VehicleService.
type vehicles struct {
	pb.UnimplementedVehicleServiceServer
	*Server
}

// CreateVehicle is airassay.v1beta1.VehicleService.CreateVehicle.
func (s *vehicles) CreateVehicle(ctx context.Context, r *pb.CreateVehicleRequest) (*pb.CreateVehicleResponse, error) {
	v, err := s.manager.CreateVehicle(ctx, shopOf(ctx), r.GetVehicle(), r.GetRequestId())
	if err != nil {
		return nil, within("vehicle", r, err)
	}
	return &pb.CreateVehicleResponse{Vehicle: v}, nil
}

// GetVehicle is airassay.v1beta1.VehicleService.GetVehicle.
func (s *vehicles) GetVehicle(ctx context.Context, r *pb.GetVehicleRequest) (*pb.GetVehicleResponse, error) {
	v, err := s.manager.GetVehicle(ctx, shopOf(ctx), r.GetName())
	if err != nil {
		return nil, err
	}
	return &pb.GetVehicleResponse{Vehicle: v}, nil
}

// ListVehicles is airassay.v1beta1.VehicleService.ListVehicles.
func (s *vehicles) ListVehicles(ctx context.Context, r *pb.ListVehiclesRequest) (*pb.ListVehiclesResponse, error) {
	return fitting(listOptions(r), func(o session.ListOptions) (*pb.ListVehiclesResponse, error) {
		page, next, err := s.manager.ListVehicles(ctx, shopOf(ctx), o)
		if err != nil {
			return nil, err
		}
		return &pb.ListVehiclesResponse{Vehicles: page, NextPageToken: next}, nil
	})
}

// UpdateVehicle is airassay.v1beta1.VehicleService.UpdateVehicle.
func (s *vehicles) UpdateVehicle(ctx context.Context, r *pb.UpdateVehicleRequest) (*pb.UpdateVehicleResponse, error) {
	v, err := s.manager.UpdateVehicle(ctx, shopOf(ctx), r.GetVehicle(), r.GetUpdateMask().GetPaths())
	if err != nil {
		return nil, within("vehicle", r, err)
	}
	return &pb.UpdateVehicleResponse{Vehicle: v}, nil
}

// DeleteVehicle is airassay.v1beta1.VehicleService.DeleteVehicle.
func (s *vehicles) DeleteVehicle(ctx context.Context, r *pb.DeleteVehicleRequest) (*pb.DeleteVehicleResponse, error) {
	if err := s.manager.DeleteVehicle(ctx, shopOf(ctx), r.GetName(), r.GetEtag()); err != nil {
		return nil, err
	}
	return &pb.DeleteVehicleResponse{}, nil
}
