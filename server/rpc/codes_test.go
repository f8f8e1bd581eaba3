// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"go/ast"
	"go/parser"
	"go/token"
	"strconv"
	"strings"
	"testing"
	"unicode"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// codeTypes says which enum mirrors which type of the assay, and what the names
// of its values start with on both sides.
var codeTypes = map[string]struct {
	prefix, enumPrefix string
	enum               protoreflect.EnumDescriptor
}{
	"Condition":          {"Condition", "CONDITION_", pb.Condition(0).Descriptor()},
	"Cause":              {"Cause", "CAUSE_", pb.Cause(0).Descriptor()},
	"InconclusiveReason": {"Inconclusive", "INCONCLUSIVE_REASON_", pb.InconclusiveReason(0).Descriptor()},
	"Sensor":             {"Sensor", "SENSOR_", pb.Sensor(0).Descriptor()},
	"Finding":            {"Finding", "FINDING_", pb.Finding(0).Descriptor()},
	"EvidenceKind":       {"Evidence", "EVIDENCE_KIND_", pb.EvidenceKind(0).Descriptor()},
	"ManoeuvreKind":      {"Manoeuvre", "MANOEUVRE_KIND_", pb.ManoeuvreKind(0).Descriptor()},
	"GateReason":         {"Gate", "GATE_REASON_", pb.GateReason(0).Descriptor()},
	"GapKind":            {"Gap", "GAP_KIND_", pb.GapKind(0).Descriptor()},
	"Action":             {"Action", "ADVICE_ACTION_", pb.AdviceAction(0).Descriptor()},
	"Caution":            {"Caution", "CAUTION_", pb.Caution(0).Descriptor()},
	"DistrustReason":     {"Distrust", "DISTRUST_REASON_", pb.DistrustReason(0).Descriptor()},
	"Inspection":         {"Inspect", "INSPECTION_", pb.Inspection(0).Descriptor()},
	"InspectionOutcome":  {"Outcome", "INSPECTION_OUTCOME_", pb.InspectionOutcome(0).Descriptor()},
	"Aspiration":         {"Aspiration", "ASPIRATION_", pb.Aspiration(0).Descriptor()},
	"Fuel":               {"Fuel", "FUEL_", pb.Fuel(0).Descriptor()},
	"Technology":         {"Technology", "AIR_METER_TECHNOLOGY_", pb.AirMeterTechnology(0).Descriptor()},
	"Cycle":              {"Cycle", "COMBUSTION_CYCLE_", pb.CombustionCycle(0).Descriptor()},
	"Location":           {"Location", "INTAKE_AIR_TEMPERATURE_LOCATION_", pb.IntakeAirTemperatureLocation(0).Descriptor()},
	"Purpose":            {"Purpose", "PURPOSE_", pb.Purpose(0).Descriptor()},
	"Clock":              {"Clock", "CLOCK_KIND_", pb.ClockKind(0).Descriptor()},
	"ReferenceBelief":    {"Reference", "REFERENCE_BELIEF_", pb.ReferenceBelief(0).Descriptor()},
	"ComparisonOutcome":  {"Compared", "OUTCOME_", pb.Outcome(0).Descriptor()},
	"ComparisonConcern":  {"Concern", "COMPARISON_CONCERN_", pb.ComparisonConcern(0).Descriptor()},
	"MagnitudeKind":      {"Magnitude", "MAGNITUDE_KIND_", pb.MagnitudeKind(0).Descriptor()},
	"FactSource":         {"FactFrom", "FACT_SOURCE_", pb.FactSource(0).Descriptor()},
	"SampleGapReason":    {"Hole", "SAMPLE_GAP_REASON_", pb.SampleGapReason(0).Descriptor()},
}

// upperWords turns HotWire into HOT_WIRE.
func upperWords(camel string) string {
	var b strings.Builder
	for i, r := range camel {
		if i > 0 && unicode.IsUpper(r) {
			b.WriteByte('_')
		}
		b.WriteRune(unicode.ToUpper(r))
	}
	return b.String()
}

// parseCodes reads the constants of the assay's codes by type: name to number.
func parseCodes(t *testing.T) map[string]map[string]int32 {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), "../assay/codes.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	codes := map[string]map[string]int32{}
	ast.Inspect(file, func(n ast.Node) bool {
		spec, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		typeName, named := spec.Type.(*ast.Ident)
		if !named || len(spec.Names) != 1 || len(spec.Values) != 1 {
			t.Errorf("%v: expected one name, one type, one number", spec.Names)
			return false
		}
		literal, ok := spec.Values[0].(*ast.BasicLit)
		if !ok {
			t.Errorf("%s: expected a number as the contract has it", spec.Names[0].Name)
			return false
		}
		number, err := strconv.ParseInt(literal.Value, 10, 32)
		if err != nil {
			t.Errorf("%s: %v", spec.Names[0].Name, err)
		}
		if codes[typeName.Name] == nil {
			codes[typeName.Name] = map[string]int32{}
		}
		codes[typeName.Name][spec.Names[0].Name] = int32(number)
		return false
	})
	return codes
}

// The boundary converts numbers, so a code that has another number in the
// contract would turn into another word.
func TestCodesOfTheAssayAreThoseOfTheContract(t *testing.T) {
	codes := parseCodes(t)
	for name := range codes {
		if _, ok := codeTypes[name]; !ok {
			t.Errorf("assay.%s has no enum beside it in this test", name)
		}
	}
	for name, c := range codeTypes {
		if got, want := len(codes[name]), c.enum.Values().Len(); got != want {
			t.Errorf("assay.%s has %d values, %s has %d", name, got, c.enum.Name(), want)
		}
		for code, number := range codes[name] {
			words, ok := strings.CutPrefix(code, c.prefix)
			if !ok {
				t.Errorf("assay.%s does not start with %s", code, c.prefix)
				continue
			}
			want := protoreflect.Name(c.enumPrefix + upperWords(words))
			if v := c.enum.Values().ByName(want); v == nil || int32(v.Number()) != number {
				t.Errorf("assay.%s = %d, but %s has %v", code, number, want, v)
			}
		}
	}
}
