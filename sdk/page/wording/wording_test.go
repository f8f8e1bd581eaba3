// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package wording

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
)

// spoken gives, for each enum that a verdict or a vehicle speaks in, every text of a code.
var spoken = map[protoreflect.FullName]func(Catalogue, protoreflect.EnumNumber) []string{
	"airassay.v1beta1.Condition": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.Condition(pb.Condition(n)), c.ConditionClause(pb.Condition(n)), c.PlainCondition(pb.Condition(n))}
	},
	"airassay.v1beta1.MagnitudeKind": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.MagnitudeKind(pb.MagnitudeKind(n)), c.Magnitude(&pb.Magnitude{Kind: pb.MagnitudeKind(n), Value: 3, Unit: "%"})}
	},
	"airassay.v1beta1.Cause":   func(c Catalogue, n protoreflect.EnumNumber) []string { return []string{c.Cause(pb.Cause(n))} },
	"airassay.v1beta1.Finding": func(c Catalogue, n protoreflect.EnumNumber) []string { return []string{c.Finding(pb.Finding(n))} },
	"airassay.v1beta1.Sensor": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.Sensor(pb.Sensor(n), 0), c.Sensor(pb.Sensor(n), 2), c.sensorSubject(pb.Sensor(n), 0)}
	},
	"airassay.v1beta1.EvidenceKind": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.EvidenceKind(pb.EvidenceKind(n)), c.EvidenceExplained(pb.EvidenceKind(n))}
	},
	"airassay.v1beta1.ManoeuvreKind": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.Manoeuvre(pb.ManoeuvreKind(n)), c.ManoeuvreInstruction(pb.ManoeuvreKind(n)), c.manoeuvreHow(pb.ManoeuvreKind(n))}
	},
	"airassay.v1beta1.GateReason": func(c Catalogue, n protoreflect.EnumNumber) []string { return []string{c.GateReason(pb.GateReason(n))} },
	"airassay.v1beta1.GapKind":    func(c Catalogue, n protoreflect.EnumNumber) []string { return []string{c.GapKind(pb.GapKind(n))} },
	"airassay.v1beta1.AdviceAction": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.AdviceAction(pb.AdviceAction(n)), c.Advice(&pb.Advice{Action: pb.AdviceAction(n)}), c.PlainAction(pb.AdviceAction(n))}
	},
	"airassay.v1beta1.Inspection": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.Inspection(pb.Inspection(n)), c.InspectionTask(pb.Inspection(n))}
	},
	"airassay.v1beta1.InspectionOutcome": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.InspectionOutcome(pb.InspectionOutcome(n))}
	},
	"airassay.v1beta1.Caution": func(c Catalogue, n protoreflect.EnumNumber) []string { return []string{c.Caution(pb.Caution(n))} },
	"airassay.v1beta1.DistrustReason": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.DistrustReason(pb.DistrustReason(n))}
	},
	"airassay.v1beta1.InconclusiveReason": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.InconclusiveReason(pb.InconclusiveReason(n))}
	},
	"airassay.v1beta1.ClockKind": func(c Catalogue, n protoreflect.EnumNumber) []string { return []string{c.ClockKind(pb.ClockKind(n))} },
	"airassay.v1beta1.SampleGapReason": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.SampleGapReason(pb.SampleGapReason(n))}
	},
	"airassay.v1beta1.Aspiration": func(c Catalogue, n protoreflect.EnumNumber) []string { return []string{c.Aspiration(pb.Aspiration(n))} },
	"airassay.v1beta1.Fuel":       func(c Catalogue, n protoreflect.EnumNumber) []string { return []string{c.Fuel(pb.Fuel(n))} },
	"airassay.v1beta1.AirMeterTechnology": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.AirMeterTechnology(pb.AirMeterTechnology(n))}
	},
	"airassay.v1beta1.CombustionCycle": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.CombustionCycle(pb.CombustionCycle(n))}
	},
	"airassay.v1beta1.IntakeAirTemperatureLocation": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.IntakeAirTemperatureLocation(pb.IntakeAirTemperatureLocation(n))}
	},
	"airassay.v1beta1.Outcome": func(c Catalogue, n protoreflect.EnumNumber) []string { return []string{c.Outcome(pb.Outcome(n))} },
	"airassay.v1beta1.ComparisonConcern": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.ComparisonConcern(pb.ComparisonConcern(n))}
	},
	"airassay.v1beta1.ReferenceBelief": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.ReferenceBelief(pb.ReferenceBelief(n))}
	},
	"airassay.v1beta1.FactSource": func(c Catalogue, n protoreflect.EnumNumber) []string {
		return []string{c.FactSource(pb.FactSource(n)), c.FactProposal(&pb.FactProposal{Field: "banks", Value: 2, Source: pb.FactSource(n)})}
	},
	"airassay.v1beta1.Purpose": func(c Catalogue, n protoreflect.EnumNumber) []string { return []string{c.Purpose(pb.Purpose(n))} },
}

func contractFiles() []protoreflect.FileDescriptor {
	return []protoreflect.FileDescriptor{
		pb.File_airassay_v1beta1_sample_proto, pb.File_airassay_v1beta1_vehicle_proto, pb.File_airassay_v1beta1_verdict_proto,
		pb.File_airassay_v1beta1_comparison_proto,
	}
}

func eachLanguage(t *testing.T, check func(t *testing.T, c Catalogue)) {
	t.Helper()
	for _, code := range Languages() {
		t.Run(code, func(t *testing.T) { check(t, For(code)) })
	}
}

func TestEveryCodeOfTheContractHasItsWords(t *testing.T) {
	eachLanguage(t, func(t *testing.T, c Catalogue) {
		t.Helper()
		for _, file := range contractFiles() {
			for i := range file.Enums().Len() {
				checkEnum(t, c, file.Enums().Get(i))
			}
		}
	})
}

func checkEnum(t *testing.T, c Catalogue, enum protoreflect.EnumDescriptor) {
	t.Helper()
	say, ok := spoken[enum.FullName()]
	if !ok {
		t.Errorf("no words for the enum %s: add a table to language and a line to this test", enum.FullName())
		return
	}
	seen := map[string]protoreflect.Name{}
	for i := range enum.Values().Len() {
		value := enum.Values().Get(i)
		texts := say(c, value.Number())
		for _, text := range texts {
			checkText(t, string(value.Name()), text)
			if strings.Contains(text, fmt.Sprintf("code %d", value.Number())) {
				t.Errorf("%s has no text", value.Name())
			}
		}
		if before, twice := seen[texts[0]]; twice {
			t.Errorf("%s and %s are both called %q", before, value.Name(), texts[0])
		}
		seen[texts[0]] = value.Name()
	}
}

func checkText(t *testing.T, what, text string) {
	t.Helper()
	for _, bad := range []string{"%!", "%[", "{", "}", "  ", "..", "_"} {
		if strings.Contains(text, bad) {
			t.Errorf("%s: %q contains %q", what, text, bad)
		}
	}
	if text == "" || strings.TrimSpace(text) != text || !utf8.ValidString(text) {
		t.Errorf("%s: bad text %q", what, text)
	}
}

func TestEveryLabelAndPhraseIsFilled(t *testing.T) {
	eachLanguage(t, func(t *testing.T, c Catalogue) {
		t.Helper()
		for _, v := range []any{c.l.labels, c.l.phrases} {
			for i, value := 0, reflect.ValueOf(v); i < value.NumField(); i++ {
				if value.Field(i).String() == "" {
					t.Errorf("%s is empty", value.Type().Field(i).Name)
				}
			}
		}
	})
}

func TestEveryNumericFactHasItsName(t *testing.T) {
	eachLanguage(t, func(t *testing.T, c Catalogue) {
		t.Helper()
		for _, message := range []proto.Message{&pb.Vehicle{}, &pb.DayConditions{}} {
			fields := message.ProtoReflect().Descriptor().Fields()
			for i := range fields.Len() {
				field := fields.Get(i)
				numeric := field.Kind() == protoreflect.DoubleKind || field.Kind() == protoreflect.Int32Kind
				if name := string(field.Name()); numeric && c.l.facts[name] == "" {
					t.Errorf("no name for the fact %s", name)
				}
			}
		}
	})
}

func TestSignalIsCalledByNameAndPath(t *testing.T) {
	eachLanguage(t, func(t *testing.T, c Catalogue) {
		t.Helper()
		for _, signal := range j1979.Signals() {
			if name := c.Signal(signal.Path); !strings.Contains(name, signal.Path) || len(name) == len(signal.Path) {
				t.Errorf("%s is called %q", signal.Path, name)
			}
		}
		if name := c.Signal("Vehicle.Cabin.Lights"); name != "Vehicle.Cabin.Lights" {
			t.Errorf("a signal without a name is called %q", name)
		}
	})
}

func TestCodesOfALaterVersionAreSaidToBeUnknown(t *testing.T) {
	c := For("en")
	for name, say := range spoken {
		if text := say(c, 9999)[0]; !strings.Contains(text, "9999") {
			t.Errorf("%s: %q does not say which code", name, text)
		}
	}
}

func TestLanguageThatIsNotThereFallsBackAndSaysSo(t *testing.T) {
	for _, test := range []struct {
		asked    string
		fallback bool
	}{
		{"", false}, {"en", false}, {"en-GB", false}, {"en-US,en;q=0.8", false}, {"de, en;q=0.5", false},
		{"tlh", true}, {"cy", true}, {"cy, en;q=0.1", false}, {"zz-ZZ", true}, {"\xff", true}, {strings.Repeat("a-", 4000), true}, {"*", true},
	} {
		c := For(test.asked)
		if c.LanguageCode() != "en" || c.Fallback() != test.fallback {
			t.Errorf("For(%.20q) = %s, fallback %v; expected en, %v", test.asked, c.LanguageCode(), c.Fallback(), test.fallback)
		}
	}
	if got := Text(nil, "tlh").GetLanguageCode(); got != "en" {
		t.Errorf("text says it is in %q", got)
	}
}

func TestProbabilityNeverClaimsCertainty(t *testing.T) {
	c := For("en")
	for p, want := range map[float64]string{
		0: "< 1 %", 0.004: "< 1 %", 0.0099: "< 1 %", 0.01: "1 %", 0.5: "50 %", 0.924: "92 %", 0.99: "99 %", 0.9901: "> 99 %", 1: "> 99 %",
		-1: "< 1 %", 7: "> 99 %", math.Inf(1): "> 99 %",
	} {
		if got := c.Probability(p); got != want {
			t.Errorf("Probability(%v) = %q, expected %q", p, got, want)
		}
	}
	if got := c.Probability(math.NaN()); got != "unknown" {
		t.Errorf("NaN gives %q", got)
	}
}

func TestNumbersAreRoundedAsAWorkshopReadsThem(t *testing.T) {
	c := For("en")
	for _, test := range []struct{ got, want string }{
		{c.Quantity(92, "g/s"), "92 g/s"}, {c.Quantity(92.34, "g/s"), "92.3 g/s"}, {c.Quantity(2.944, "g/s"), "2.94 g/s"},
		{c.Quantity(9.999, "g/s"), "10 g/s"}, {c.Quantity(0.04567, "g/s"), "0.0457 g/s"}, {c.Quantity(1234.5, "g/s"), "1234 g/s"}, {c.Quantity(0, "g/s"), "0 g/s"},
		{c.Deviation(-18.4, "%"), "−18 %"}, {c.Deviation(2.94, "%"), "+2.9 %"}, {c.Deviation(2.96, "%"), "+3 %"}, {c.Deviation(-0.04, "%"), "0 %"},
		{c.Deviation(5, "K"), "+5 K"}, {c.Quantity(101.32, "kPa"), "101.3 kPa"}, {c.Quantity(18.44, "Celsius"), "18 °C"},
		{c.Interval(-18.4, 0.7, "%", true), "−18 ±1 %"}, {c.Interval(2.01, 0.03, "L", false), "2.01 ±0.05 L"},
		{c.Interval(-18, 0.01, "%", true), "−18 ±0.1 %"}, {c.Interval(5, 0, "%", false), "5 %"}, {c.Interval(5, math.NaN(), "%", false), "5 %"},
		{c.Interval(math.NaN(), 1, "%", false), "unknown %"}, {c.Quantity(math.Inf(-1), "V"), "−∞ V"}, {c.Quantity(1e300, "%"), "1e+300 %"},
		{c.Range(-1.4, 6.1, "%"), "−1 to +6 %"}, {c.Range(-2.4, 2.9, "%"), "−2.4 to +2.9 %"},
		{c.Odds(math.Log(40)), "40:1"}, {c.Odds(-math.Log(2.5)), "2.5:1"}, {c.Odds(99), "> 1000:1"}, {c.Odds(math.NaN()), "unknown"},
		{Clock(522_400_000), "8:42"}, {Clock(0), "0:00"}, {Clock(-5_000_000), "−0:05"}, {Clock(math.MinInt64), "−153722867280:54"},
		{Count(12034), "12 034"}, {Count(905), "905"}, {Count(-1234567), "−1 234 567"}, {Count(math.MinInt64), "−9 223 372 036 854 775 808"},
	} {
		if test.got != test.want {
			t.Errorf("got %q, expected %q", test.got, test.want)
		}
	}
}

func TestHeadlineNeverClaimsMoreThanTheInterval(t *testing.T) {
	for percent, want := range map[float64]float64{2.91: 3, 2.81: 2.9, 3: 3, 3.01: 4, 0.001: 0.1, 0: 0, 12.2: 13} {
		if got := roundUp(percent); math.Abs(got-want) > 1e-9 {
			t.Errorf("roundUp(%v) = %v, expected %v", percent, got, want)
		}
	}
}

// A caution may be said by the advice or by the manoeuvre's own text, but
// dangerous driving is never described without it.
func TestFullLoadIsNeverDescribedWithoutItsCautions(t *testing.T) {
	eachLanguage(t, func(t *testing.T, c Catalogue) {
		t.Helper()
		full := pb.ManoeuvreKind_MANOEUVRE_KIND_FULL_LOAD_PULL
		care := c.l.manoeuvres[full].care
		road := []pb.Caution{pb.Caution_CAUTION_SECOND_PERSON, pb.Caution_CAUTION_LEGAL_ROAD_OR_DYNAMOMETER, pb.Caution_CAUTION_STOP_ON_WARNING}
		for subset := range 8 {
			advice := &pb.Advice{Action: pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN, Manoeuvre: full}
			for i, caution := range road {
				if subset&(1<<i) != 0 {
					advice.Cautions = append(advice.Cautions, caution)
				}
			}
			if said := strings.Contains(c.Advice(advice), care); said == (subset == 7) {
				t.Errorf("cautions %v: care said by the text: %v", advice.Cautions, said)
			}
		}
		if gap := c.Gap(&pb.Gap{Kind: pb.GapKind_GAP_KIND_FULL_LOAD, Manoeuvre: full}); !strings.Contains(gap, care) {
			t.Errorf("the gap describes full load without its cautions: %q", gap)
		}
	})
}

func TestAdviceThatTouchesACarNeverComesWithoutACaution(t *testing.T) {
	c := For("en")
	actions := pb.AdviceAction(0).Descriptor().Values()
	for i := range actions.Len() {
		action := pb.AdviceAction(actions.Get(i).Number())
		if action == pb.AdviceAction_ADVICE_ACTION_LEAVE_ALONE {
			continue
		}
		if len(c.Cautions(&pb.Advice{Action: action})) == 0 {
			t.Errorf("%v has no caution", action)
		}
	}
}

func TestAmbiguityNeverNamesOneCulprit(t *testing.T) {
	low := pb.Condition_CONDITION_METER_READS_LOW
	a := &pb.Assessment{
		Conclusive: true,
		Conditions: []*pb.ConditionProbability{{Condition: pb.Condition_CONDITION_INTAKE_RESTRICTED, Probability: 0.5, Causes: []*pb.CauseProbability{{Cause: pb.Cause_CAUSE_FILTER_OR_DUCT, Probability: 0.5}}}},
		Sensors:    []*pb.SensorFinding{{Sensor: pb.Sensor_SENSOR_AIR_METER, Finding: pb.Finding_FINDING_READS_TRUE, Probability: 0.95}},
		Ambiguities: []*pb.Ambiguity{{Probability: 0.9, Causes: []*pb.AmbiguousCause{
			{Condition: pb.Condition_CONDITION_INTAKE_RESTRICTED, Cause: pb.Cause_CAUSE_FILTER_OR_DUCT},
			{Condition: pb.Condition_CONDITION_THROTTLE_LIMITED, Cause: pb.Cause_CAUSE_THROTTLE_PLATE},
		}}},
	}
	got := For("en").Headline(a)
	want := "The air meter reads true (95 %); the data cannot tell which of these it is (90 % together): clogged filter or collapsed duct, or throttle plate does not open fully."
	if got != want {
		t.Errorf("got %q, expected %q", got, want)
	}
	a.Conditions[0] = &pb.ConditionProbability{Condition: low, Probability: 0.6}
	if got := For("en").Headline(a); !strings.Contains(got, "shows less air") {
		t.Errorf("an ambiguity of other conditions swallowed the finding: %q", got)
	}
}

func TestHeadlineOfEachLeadingConditionIsWellFormed(t *testing.T) {
	eachLanguage(t, func(t *testing.T, c Catalogue) {
		t.Helper()
		conditions := pb.Condition(0).Descriptor().Values()
		for i := range conditions.Len() {
			for _, conclusive := range []bool{true, false} {
				a := &pb.Assessment{
					Conclusive: conclusive,
					Conditions: []*pb.ConditionProbability{{Condition: pb.Condition(conditions.Get(i).Number()), Probability: 0.9}},
				}
				checkText(t, string(conditions.Get(i).Name()), c.Headline(a))
				checkText(t, string(conditions.Get(i).Name()), c.Summary(a))
			}
		}
	})
}
