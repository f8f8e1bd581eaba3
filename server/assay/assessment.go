// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

// Assessment is the conclusion in codes and numbers. It mirrors
// airassay.v1beta1.Assessment, whose comments define each field; NaN stands for
// what is absent there. Errors of the meter are (indicated − true)/true.
type Assessment struct {
	EngineVersion string
	Conditions    []ConditionProbability
	Conclusive    bool
	Reasons       []InconclusiveReason
	Sensors       []SensorFinding
	MeterErrors   []MeterError
	Evidence      []Evidence
	Manoeuvres    []Manoeuvre
	Gaps          []GapItem
	Advice        []Advice
	Distrusted    []DistrustedSignal
	Ambiguities   []Ambiguity
	Use           SampleUse
	Proposals     []FactProposal
	Codes         []CodeUse
	References    []ReferenceUse
	NextTests     []NextTest
	Alternatives  []Alternative
}

// ConditionProbability is one condition with its probability.
type ConditionProbability struct {
	Condition   Condition
	Probability float64
	Causes      []CauseProbability
}

// CauseProbability is one cause with its probability; Bank is 0 for all banks.
type CauseProbability struct {
	Cause       Cause
	Probability float64
	Bank        int
}

// SensorFinding is what was found of one sensor; Bank is 0 for the only one.
type SensorFinding struct {
	Sensor      Sensor
	Bank        int
	Finding     Finding
	Probability float64
}

// MeterError is the error at one indicated flow, in percent, with its 90 % interval.
type MeterError struct {
	Bank                           int
	Flow, Percent, LowPct, HighPct float64
}

// Evidence is one measured quantity beside the value expected of a sound vehicle.
type Evidence struct {
	Kind                   EvidenceKind
	Bank                   int
	Manoeuvre              ManoeuvreKind
	Measured, MeasuredSD   float64
	Expected, ExpectedSD   float64
	Unit                   string
	Samples                int64
	Flow, RPM, PressureKPa float64
	Counted                bool
	Leanings               []Leaning
}

// Leaning is how far one piece of evidence speaks for a condition against no fault: LogRatio taken
// alone, Share as its part of what all evidence together says, both in nats.
type Leaning struct {
	Condition Condition
	Predicted float64
	LogRatio  float64
	Share     float64
}

// NextTest is a manoeuvre, an inspection or a fact that is worth knowing; one of the three is set.
type NextTest struct {
	Manoeuvre  ManoeuvreKind
	Inspection Inspection
	// Fact is the name of a field of the vehicle or of the day.
	Fact string
	// Reduction of the expected regret of the best action, Minutes that the test takes.
	Reduction, Minutes float64
	// TellsApart are the two causes that it would separate best; empty for none.
	TellsApart []AmbiguousCause
	Cautions   []Caution
}

// Alternative is one explanation as if it were true.
type Alternative struct {
	Condition   Condition
	Cause       Cause
	Bank        int
	Probability float64
	Magnitudes  []Magnitude
	// LogRatio of the likelihood of all counted evidence under it over that under the leading one, in nats.
	LogRatio    float64
	Predictions []Prediction
	// Failed is the place in the evidence of what speaks most against it; −1 where nothing does.
	Failed int
}

// Magnitude is the size of a fault in one quantity.
type Magnitude struct {
	Kind  MagnitudeKind
	Value float64
	Unit  string
}

// Prediction is what an explanation predicted for one piece of evidence, by its place in the evidence.
type Prediction struct {
	Evidence  int
	Predicted float64
	Share     float64
}

// GapItem is what is missing for a firm verdict.
type GapItem struct {
	Kind       GapKind
	Manoeuvre  ManoeuvreKind
	Inspection Inspection
	Signal     string
}

// Advice is one thing to do next.
type Advice struct {
	Action     Action
	Sensor     Sensor
	Bank       int
	Inspection Inspection
	Manoeuvre  ManoeuvreKind
	Condition  Condition
	Regret     float64
	Cautions   []Caution
}

// DistrustedSignal is a signal that was not believed.
type DistrustedSignal struct {
	Path                           string
	Reason                         DistrustReason
	Measured, Expected, ExpectedSD float64
}

// Ambiguity is a set of causes that these data cannot tell apart.
type Ambiguity struct {
	Causes      []AmbiguousCause
	Probability float64
	Inspections []Inspection
}

// AmbiguousCause is one member of an ambiguity.
type AmbiguousCause struct {
	Condition   Condition
	Cause       Cause
	Probability float64
}

// SampleUse counts what became of the samples.
type SampleUse struct {
	Used, Late, OutOfRange, Unused int64
	UnusedSignals                  []string
	Clock                          Clock
	DurationUS                     int64
	HighestFlow                    float64
	TypicalSpacingUS               int64
	// HoleCount and HoleUS count all stretches that the sources have marked as missing; LongestHoles lists some.
	HoleCount, HoleUS int64
	LongestHoles      []Hole
}

// FactProposal is a fact that the vehicle itself implies.
type FactProposal struct {
	Field string
	// Value and Entered are numbers of codes where the field has codes. Uncertainty is 0 for these and for counts.
	Value, Uncertainty, Entered float64
	Source                      FactSource
	// Contradicts tells that what was entered cannot be right if the proposal is.
	Contradicts bool
}
