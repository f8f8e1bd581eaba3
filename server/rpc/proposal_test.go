// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"math"
	"slices"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
)

func TestProposalsAreSpelledAsAVehicleFileSpellsThem(t *testing.T) {
	nan := math.NaN()
	for _, tc := range []struct {
		in   assay.FactProposal
		want *pb.FactProposal
	}{
		{
			assay.FactProposal{Field: "fuel", Value: float64(assay.FuelDiesel), Entered: float64(assay.FuelGasoline), Source: assay.FactFromFuelType, Contradicts: true},
			&pb.FactProposal{
				Field: "fuel", Value: 2, Word: "diesel", Entered: proto.Float64(1), EnteredWord: "gasoline",
				Source: pb.FactSource_FACT_SOURCE_FUEL_TYPE, ContradictsEntry: true,
			},
		},
		{
			assay.FactProposal{Field: "air_meter", Value: float64(assay.TechnologyNone), Entered: nan, Source: assay.FactFromNoMeterSignal},
			&pb.FactProposal{Field: "air_meter", Value: 5, Word: "none", Source: pb.FactSource_FACT_SOURCE_NO_METER_SIGNAL},
		},
		{
			assay.FactProposal{Field: "banks", Value: 2, Entered: 1, Source: assay.FactFromBanks, Contradicts: true},
			&pb.FactProposal{Field: "banks", Value: 2, Entered: proto.Float64(1), Source: pb.FactSource_FACT_SOURCE_BANKS, ContradictsEntry: true},
		},
		{
			assay.FactProposal{Field: "altitude_m", Value: math.Inf(1), Uncertainty: 80, Entered: nan, Source: assay.FactFromBarometer},
			&pb.FactProposal{Field: "altitude_m", Uncertainty: 80, Source: pb.FactSource_FACT_SOURCE_BAROMETER},
		},
		{assay.FactProposal{Field: "fuel", Value: 99, Entered: nan}, &pb.FactProposal{Field: "fuel", Value: 99}},
	} {
		if got := proposalToProto(&tc.in); !proto.Equal(got, tc.want) {
			t.Errorf("got %v, want %v", got, tc.want)
		}
	}
}

func TestTroubleCodesOfADayReachTheAssayAndComeBackWithTheirMeaning(t *testing.T) {
	f := FactsFromProto(nil, &pb.DayConditions{TroubleCodes: []string{"P0101", "U0100"}})
	if !slices.Equal(f.Codes, []string{"P0101", "U0100"}) {
		t.Fatalf("the facts hold %v", f.Codes)
	}
	out := AssessmentToProto(assay.New(f).Assess())
	if _, err := protojson.Marshal(out); err != nil {
		t.Fatal(err)
	}
	codes := out.GetTroubleCodes()
	if len(codes) != 2 || codes[0].GetMeaning() == "" || len(codes[0].GetFavours()) == 0 || codes[1].GetMeaning() != "" || len(codes[1].GetFavours()) > 0 {
		t.Errorf("the assessment says %v", codes)
	}
}
