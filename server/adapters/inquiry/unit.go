// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package inquiry

import (
	"context"
	"fmt"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
)

// Parameters of SAE J1979 that are asked for here beside the bitmaps.
const (
	pidMonitors   = 0x01
	pidFourBanks  = 0x1D
	pidScaling    = 0x4F
	pidMaxMAF     = 0x50
	pidFuelType   = 0x51
	firstFrame    = 0x00
	pidFreezeCode = 0x02
)

// unit is one control unit while it is asked.
type unit struct {
	*reader

	source  int64
	coding  j1979.Coding
	support j1979.Support
	info    *j1979.Support // kinds of vehicle information; nil where it does not say
	faults  []j1979.Fault  // confirmed ones
	out     *pb.ControlUnit
}

// read asks for all there is, what a verdict uses first.
func (u *unit) read(ctx context.Context) {
	for _, part := range []struct {
		item pb.VehicleReportItem
		read func(context.Context) error
	}{
		{pb.VehicleReportItem_VEHICLE_REPORT_ITEM_CONFIRMED_CODES, u.codes(j1979.Confirmed)},
		{pb.VehicleReportItem_VEHICLE_REPORT_ITEM_PENDING_CODES, u.codes(j1979.Pending)},
		{pb.VehicleReportItem_VEHICLE_REPORT_ITEM_SUPPORTED_SIGNALS, u.signals},
		{pb.VehicleReportItem_VEHICLE_REPORT_ITEM_FUEL_TYPE, u.fuel},
		{pb.VehicleReportItem_VEHICLE_REPORT_ITEM_MONITORS, u.monitors},
		{pb.VehicleReportItem_VEHICLE_REPORT_ITEM_VIN, u.vin},
		{pb.VehicleReportItem_VEHICLE_REPORT_ITEM_CALIBRATION_IDS, u.calibrations},
		{pb.VehicleReportItem_VEHICLE_REPORT_ITEM_NAME, u.name},
		{pb.VehicleReportItem_VEHICLE_REPORT_ITEM_PERMANENT_CODES, u.codes(j1979.Permanent)},
		{pb.VehicleReportItem_VEHICLE_REPORT_ITEM_FREEZE_FRAME, u.freezeFrame},
	} {
		if err := part.read(ctx); err != nil {
			u.out.Unread = append(u.out.Unread, unread(part.item, err))
		}
	}
}

// ask gives what this control unit answers.
func (u *unit) ask(ctx context.Context, payload []byte) ([]byte, error) {
	answers, err := u.reader.ask(ctx, Request{Payload: payload, Target: u.source, Timeout: answerTime, Expected: 1})
	for _, a := range answers {
		if a.Source == u.source {
			return a.Payload, nil
		}
	}
	if err == nil {
		err = ErrSilent
	}
	return nil, err
}

// parameter asks for one parameter.
func (u *unit) parameter(ctx context.Context, pid byte) ([]byte, error) {
	payload, err := u.coding.Dialect.AppendRequest(nil, pid)
	if err != nil {
		return nil, err
	}
	return u.ask(ctx, payload)
}

// signals finds what else the control unit supports, and how it writes it.
func (u *unit) signals(ctx context.Context) error {
	err := u.bitmaps(ctx)
	u.coding.FourBanks = u.support.Has(pidFourBanks)
	for _, pid := range []byte{pidScaling, pidMaxMAF} {
		if !u.support.Has(pid) {
			continue
		}
		answer, failed := u.parameter(ctx, pid)
		var values []j1979.Value
		if failed == nil {
			values, failed = u.coding.Decode(nil, []byte{pid}, answer)
		}
		if failed == nil {
			u.coding.Learn(values)
		} else if err == nil {
			err = fmt.Errorf("its scaling, parameter %02X: %w", pid, failed)
		}
	}
	for i, s := range j1979.Signals() {
		if _, has := j1979.ID(i).Carrier(&u.support); has {
			u.out.SupportedSignals = append(u.out.SupportedSignals, s.Path)
		}
	}
	return err
}

func (u *unit) bitmaps(ctx context.Context) error {
	for base, more := u.support.Next(0); more; base, more = u.support.Next(base) {
		answer, err := u.parameter(ctx, base)
		if err == nil {
			err = u.coding.ReadSupport(&u.support, []byte{base}, answer)
		}
		if err != nil {
			return fmt.Errorf("what it supports after %02X: %w", base, err)
		}
	}
	return nil
}

// fuel asks what the engine burns.
func (u *unit) fuel(ctx context.Context) error {
	if !u.support.Has(pidFuelType) {
		return errLacks
	}
	answer, err := u.parameter(ctx, pidFuelType)
	if err != nil {
		return err
	}
	data, err := u.coding.ReadData(pidFuelType, answer)
	if err != nil {
		return err
	}
	code := int32(data[0])
	u.out.FuelTypeCode, u.out.Fuel = &code, fuels[code]
	return nil
}

// fuels are those codes of parameter 51 (SAE J1979) that stand for one fuel.
var fuels = map[int32]pb.Fuel{
	1: pb.Fuel_FUEL_GASOLINE, 3: pb.Fuel_FUEL_ETHANOL, 4: pb.Fuel_FUEL_DIESEL, 5: pb.Fuel_FUEL_LPG, 6: pb.Fuel_FUEL_CNG,
	17: pb.Fuel_FUEL_GASOLINE, 19: pb.Fuel_FUEL_DIESEL, // of a hybrid
}

// monitors asks for lamp and monitors.
func (u *unit) monitors(ctx context.Context) error {
	if !u.support.Has(pidMonitors) {
		return errLacks
	}
	answer, err := u.parameter(ctx, pidMonitors)
	if err != nil {
		return err
	}
	s, err := u.coding.ReadMonitorStatus(pidMonitors, answer)
	if err != nil {
		return err
	}
	u.out.LampLit = &s.Lamp
	for _, m := range s.Monitors {
		u.out.Monitors = append(u.out.Monitors, &pb.Monitor{Name: m.Name, Complete: m.Complete})
	}
	return nil
}

// information asks for vehicle information of a kind.
func (u *unit) information(ctx context.Context, kind j1979.Infotype) ([]byte, error) {
	if u.info == nil {
		u.info = &j1979.Support{}
		answer, err := u.ask(ctx, u.coding.Dialect.AppendInformationRequest(nil, 0))
		if err == nil {
			err = u.coding.Dialect.ReadInformationSupport(u.info, 0, answer)
		}
		if err != nil { // it may tell all the same
			u.info.Add(byte(j1979.VIN), byte(j1979.CalibrationIDs), byte(j1979.UnitName))
		}
	}
	if !u.info.Has(byte(kind)) {
		return nil, errLacks
	}
	return u.ask(ctx, u.coding.Dialect.AppendInformationRequest(nil, kind))
}

func (u *unit) vin(ctx context.Context) error {
	answer, err := u.information(ctx, j1979.VIN)
	if err == nil {
		u.out.Vin, err = u.coding.Dialect.ReadVIN(answer)
	}
	return err
}

func (u *unit) calibrations(ctx context.Context) error {
	answer, err := u.information(ctx, j1979.CalibrationIDs)
	if err != nil {
		return err
	}
	ids, err := u.coding.Dialect.ReadCalibrationIDs(answer)
	u.out.CalibrationIds = ids[:min(len(ids), maxCalibrations)]
	return err
}

func (u *unit) name(ctx context.Context) error {
	answer, err := u.information(ctx, j1979.UnitName)
	if err == nil {
		u.out.Name, err = u.coding.Dialect.ReadUnitName(answer)
	}
	return err
}
