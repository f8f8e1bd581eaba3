// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package wording

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
)

// neutralBelow is the logarithm of a likelihood ratio below which evidence
// speaks neither way: less than 3 : 2 would move no decision.
var neutralBelow = math.Log(1.5)

// summaryEvidence is how many pieces of evidence a summary quotes: a customer
// listens to two numbers, not to ten.
const summaryEvidence = 2

// Text is the assessment in words, in the language asked for or in English;
// its language_code says which. A nil assessment gives a text that says so.
func Text(a *pb.Assessment, languageCode string) *pb.VerdictText {
	c := For(languageCode)
	text := &pb.VerdictText{
		LanguageCode: c.LanguageCode(),
		Headline:     c.Headline(a),
		Summary:      c.Summary(a),
	}
	text.PlainSummary = c.PlainSummary(a)
	for _, advice := range a.GetAdvice() {
		text.Advice = append(text.Advice, c.AdviceBecause(advice, a.GetNextTests()))
	}
	return text
}

// Headline is the finding in one sentence.
func (c Catalogue) Headline(a *pb.Assessment) string {
	return Sentence(c.headline(a))
}

func (c Catalogue) headline(a *pb.Assessment) string {
	lead := leader(a)
	switch {
	case a == nil:
		return c.l.phrases.nothingAssessed
	case !a.Conclusive:
		return c.noFirmVerdict(a, lead)
	case lead == nil:
		return c.orElse(c.meterStatement(a), c.l.phrases.nothingAssessed)
	case lead.Condition == pb.Condition_CONDITION_NO_FAULT:
		return c.noFault(a, lead)
	}
	if m := ambiguityOf(a, lead); m != nil {
		return fmt.Sprintf(c.l.phrases.cannotTell, c.ambiguousStatement(a, lead, m), c.ambiguousCauses(m), c.Probability(m.GetProbability()))
	}
	return c.withCause(c.statement(a, lead, true), lead)
}

func (c Catalogue) noFirmVerdict(a *pb.Assessment, lead *pb.ConditionProbability) string {
	parts := []string{c.firstReason(a)}
	if lead != nil {
		parts = append(parts, fmt.Sprintf(c.l.phrases.likeliestSoFar, c.Condition(lead.Condition), c.Probability(lead.Probability)))
	}
	return fmt.Sprintf(c.l.phrases.noFirmVerdict, strings.Join(compact(parts), "; "))
}

// firstReason prefers what is missing over the rule that it breaks: a
// technician can act on the former.
func (c Catalogue) firstReason(a *pb.Assessment) string {
	reasons := a.GetInconclusiveReasons()
	gaps := a.GetGaps()
	byGap := len(reasons) == 0 || reasons[0] == pb.InconclusiveReason_INCONCLUSIVE_REASON_GATE_FAILED
	switch {
	case byGap && len(gaps) > 0 && gaps[0] != nil:
		return c.gapName(gaps[0])
	case len(reasons) > 0:
		return c.InconclusiveReason(reasons[0])
	case leader(a) == nil:
		return c.l.phrases.nothingAssessed
	}
	return ""
}

func (c Catalogue) noFault(a *pb.Assessment, lead *pb.ConditionProbability) string {
	meters := c.meterStatement(a)
	if meters == "" {
		return fmt.Sprintf(c.l.phrases.conditionSure, c.ConditionClause(lead.Condition), c.Probability(lead.Probability))
	}
	if onlyFinding(a, pb.Finding_FINDING_READS_TRUE) {
		return meters
	}
	return fmt.Sprintf(c.l.phrases.joined, meters,
		fmt.Sprintf(c.l.phrases.conditionSure, c.ConditionClause(lead.Condition), c.Probability(lead.Probability)))
}

// ambiguousStatement says only what all members of the ambiguity share.
func (c Catalogue) ambiguousStatement(a *pb.Assessment, lead *pb.ConditionProbability, m *pb.Ambiguity) string {
	for _, cause := range m.GetCauses() {
		if cause.GetCondition() != lead.Condition {
			return c.orElse(c.meterStatement(a), c.ConditionClause(lead.Condition))
		}
	}
	return c.statement(a, lead, false)
}

// statement says what the leading condition is and what that means for the meter.
func (c Catalogue) statement(a *pb.Assessment, lead *pb.ConditionProbability, sure bool) string {
	clause := c.ConditionClause(lead.Condition)
	if concernsMeter(lead.Condition) {
		return c.meterCondition(a, lead, clause)
	}
	if sure {
		clause = fmt.Sprintf(c.l.phrases.conditionSure, clause, c.Probability(lead.Probability))
	}
	if meters := c.meterStatement(a); meters != "" {
		return fmt.Sprintf(c.l.phrases.elsewhere, meters, clause)
	}
	return clause
}

func (c Catalogue) meterCondition(a *pb.Assessment, lead *pb.ConditionProbability, clause string) string {
	bank := faultyBank(a, lead)
	if bank != 0 {
		clause = fmt.Sprintf(c.l.phrases.onBank, clause, bank)
	}
	e := highestError(a, bank)
	if e == nil || lead.Condition == pb.Condition_CONDITION_METER_SIGNAL_FAULT {
		return fmt.Sprintf(c.l.phrases.conditionSure, clause, c.Probability(lead.Probability))
	}
	return fmt.Sprintf(c.l.phrases.offAt, clause,
		c.Deviation(e.ErrorPercent, "%"), c.Quantity(e.FlowGPerS, "g/s"),
		c.Range(e.LowPercent, e.HighPercent, "%"))
}

func (c Catalogue) withCause(statement string, lead *pb.ConditionProbability) string {
	cause := topCause(lead)
	if cause == nil || cause.Cause == pb.Cause_CAUSE_NONE || cause.Cause == pb.Cause_CAUSE_NOT_MODELLED {
		return statement
	}
	return fmt.Sprintf(c.l.phrases.causedBy, statement, c.Cause(cause.Cause), c.Probability(cause.Probability))
}

// meterStatement joins what was found of every air meter; empty where no finding is there.
func (c Catalogue) meterStatement(a *pb.Assessment) string {
	var parts []string
	for _, s := range a.GetSensors() {
		if s.GetSensor() == pb.Sensor_SENSOR_AIR_METER {
			parts = append(parts, c.FindingSentence(a, s))
		}
	}
	const most = 4 // the contract allows no more banks
	return strings.Join(parts[:min(len(parts), most)], "; ")
}

// FindingSentence is what was found of one sensor, as a clause without a full stop.
func (c Catalogue) FindingSentence(a *pb.Assessment, s *pb.SensorFinding) string {
	subject := c.sensorSubject(s.GetSensor(), s.GetBank())
	meter := s.GetSensor() == pb.Sensor_SENSOR_AIR_METER
	if meter && s.GetFinding() == pb.Finding_FINDING_READS_TRUE {
		if bound, flow, ok := errorBound(a, s.GetBank()); ok {
			return fmt.Sprintf(c.l.phrases.readsTrueWithin, subject, c.Quantity(bound, "%"), c.Quantity(flow, "g/s"))
		}
	}
	switch s.GetFinding() {
	case pb.Finding_FINDING_NOT_FITTED:
		return fmt.Sprintf(c.l.phrases.notFitted, c.Sensor(s.GetSensor(), s.GetBank()))
	case pb.Finding_FINDING_INCONCLUSIVE, pb.Finding_FINDING_UNSPECIFIED:
		return fmt.Sprintf(c.l.phrases.finding, subject, c.Finding(s.GetFinding()))
	}
	return fmt.Sprintf(c.l.phrases.findingSure, subject, c.Finding(s.GetFinding()), c.Probability(s.GetProbability()))
}

// FindingLine is what was found of one sensor, for a list and without its probability.
func (c Catalogue) FindingLine(s *pb.SensorFinding) string {
	name := c.Sensor(s.GetSensor(), s.GetBank())
	if s.GetFinding() == pb.Finding_FINDING_NOT_FITTED {
		return fmt.Sprintf(c.l.phrases.notFitted, name)
	}
	return fmt.Sprintf(c.l.phrases.finding, name, c.Finding(s.GetFinding()))
}

// Summary is the finding and its reasons in one paragraph that can be read to a customer.
func (c Catalogue) Summary(a *pb.Assessment) string {
	if a == nil {
		return c.Headline(a)
	}
	parts := []string{c.headline(a), c.howSure(a), c.besideNoFault(a)}
	parts = append(parts, c.strongest(a)...)
	parts = append(parts, c.otherSensors(a)...)
	parts = append(parts, c.whyNotFirm(a)...)
	parts = append(parts, c.distrustedShort(a), c.nextShort(a))
	var sentences []string
	for _, part := range compact(parts) {
		sentences = append(sentences, Sentence(part))
	}
	return strings.Join(sentences, " ")
}

func (c Catalogue) howSure(a *pb.Assessment) string {
	lead := leader(a)
	if lead == nil || !a.Conclusive {
		return ""
	}
	return fmt.Sprintf(c.l.phrases.overall, c.ConditionClause(lead.Condition), c.Probability(lead.Probability))
}

// besideNoFault says what may be wrong although everything measured is right;
// the headline of no fault does not.
func (c Catalogue) besideNoFault(a *pb.Assessment) string {
	lead := leader(a)
	if lead.GetCondition() != pb.Condition_CONDITION_NO_FAULT || !a.Conclusive {
		return ""
	}
	m := ambiguityOf(a, lead)
	if m == nil {
		return ""
	}
	return fmt.Sprintf(c.l.phrases.cannotTellApart, c.ambiguousCauses(m), c.Probability(m.GetProbability()))
}

func (c Catalogue) strongest(a *pb.Assessment) []string {
	var lines []string
	for _, e := range strongestEvidence(a, summaryEvidence) {
		lines = append(lines, c.EvidenceSentence(e))
	}
	if len(lines) == 0 {
		return nil
	}
	return []string{fmt.Sprintf(c.l.phrases.supports, strings.Join(lines, "; "))}
}

func (c Catalogue) otherSensors(a *pb.Assessment) []string {
	var parts []string
	for _, s := range a.GetSensors() {
		if s.GetSensor() == pb.Sensor_SENSOR_INTAKE_AIR_TEMPERATURE && len(parts) < 4 {
			parts = append(parts, c.FindingSentence(a, s))
		}
	}
	return parts
}

func (c Catalogue) whyNotFirm(a *pb.Assessment) []string {
	if a.Conclusive {
		return nil
	}
	var parts, missing []string
	for _, reason := range a.InconclusiveReasons[:min(len(a.InconclusiveReasons), 7)] {
		parts = append(parts, c.InconclusiveReason(reason))
	}
	for _, gap := range a.Gaps[:min(len(a.Gaps), 3)] {
		missing = append(missing, c.gapName(gap))
	}
	return []string{
		c.phraseList(c.l.phrases.because, parts),
		c.phraseList(c.l.phrases.wouldHelp, missing),
	}
}

func (c Catalogue) distrustedShort(a *pb.Assessment) string {
	var parts []string
	for _, d := range a.GetDistrustedSignals()[:min(len(a.GetDistrustedSignals()), 3)] {
		name := d.GetSignal()
		if known := c.l.signal(name); known != "" {
			name = known
		}
		parts = append(parts, fmt.Sprintf(c.l.phrases.signalBecause, name, c.DistrustReason(d.GetReason())))
	}
	return c.phraseList(c.l.phrases.notBelieved, parts)
}

func (c Catalogue) nextShort(a *pb.Assessment) string {
	if len(a.GetAdvice()) == 0 {
		return ""
	}
	first := a.Advice[0]
	text := c.AdviceAction(first.GetAction())
	if object := c.adviceObject(first); object != "" {
		text = fmt.Sprintf(c.l.phrases.inBrackets, text, object)
	}
	if len(first.GetCautions()) > 0 {
		return fmt.Sprintf(c.l.phrases.nextStep, text)
	}
	return fmt.Sprintf(c.l.phrases.nextPlain, text)
}

func (c Catalogue) adviceObject(a *pb.Advice) string {
	switch {
	case a.GetInspection() != pb.Inspection_INSPECTION_UNSPECIFIED:
		return c.Inspection(a.GetInspection())
	case a.GetSensor() != pb.Sensor_SENSOR_UNSPECIFIED:
		return c.Sensor(a.GetSensor(), a.GetBank())
	case a.GetManoeuvre() != pb.ManoeuvreKind_MANOEUVRE_KIND_UNSPECIFIED:
		return c.Manoeuvre(a.GetManoeuvre())
	}
	return ""
}

// Advice is one thing to do next, in full sentences, without the cautions that
// [Catalogue.Cautions] gives.
func (c Catalogue) Advice(a *pb.Advice) string {
	action := a.GetAction()
	text := lookup(c, c.l.actions, action, func(t actionText) string { return t.advice })
	text = strings.NewReplacer(
		"{sensor}", c.sensorSubject(a.GetSensor(), a.GetBank()),
		"{clause}", c.ConditionClause(a.GetCondition()),
	).Replace(text)
	if a.GetInspection() != pb.Inspection_INSPECTION_UNSPECIFIED {
		text += " " + c.InspectionTask(a.GetInspection())
	}
	if m := a.GetManoeuvre(); m != pb.ManoeuvreKind_MANOEUVRE_KIND_UNSPECIFIED {
		text += " " + fmt.Sprintf(c.l.phrases.actionOn, Capital(c.Manoeuvre(m)), c.driveIt(m, a.GetCautions()))
	}
	return Sentence(text)
}

// saidByCautions are the cautions that, together, say all that the text of a
// manoeuvre would say about care; such a text is then not said twice.
var saidByCautions = map[pb.ManoeuvreKind][]pb.Caution{
	pb.ManoeuvreKind_MANOEUVRE_KIND_STEADY_CRUISE: {pb.Caution_CAUTION_SECOND_PERSON},
	pb.ManoeuvreKind_MANOEUVRE_KIND_HIGH_LOAD:     {pb.Caution_CAUTION_SECOND_PERSON},
	pb.ManoeuvreKind_MANOEUVRE_KIND_FULL_LOAD_PULL: {
		pb.Caution_CAUTION_SECOND_PERSON, pb.Caution_CAUTION_LEGAL_ROAD_OR_DYNAMOMETER, pb.Caution_CAUTION_STOP_ON_WARNING,
	},
	pb.ManoeuvreKind_MANOEUVRE_KIND_WARM_IDLE:   {pb.Caution_CAUTION_EXHAUST_EXTRACTION},
	pb.ManoeuvreKind_MANOEUVRE_KIND_RAISED_IDLE: {pb.Caution_CAUTION_EXHAUST_EXTRACTION, pb.Caution_CAUTION_HOT_AND_MOVING_PARTS},
	pb.ManoeuvreKind_MANOEUVRE_KIND_SNAP:        {pb.Caution_CAUTION_EXHAUST_EXTRACTION, pb.Caution_CAUTION_HOT_AND_MOVING_PARTS},
}

func (c Catalogue) driveIt(m pb.ManoeuvreKind, cautions []pb.Caution) string {
	needed, known := saidByCautions[m]
	for _, caution := range needed {
		known = known && slices.Contains(cautions, caution)
	}
	if known {
		return c.manoeuvreHow(m)
	}
	return c.ManoeuvreInstruction(m)
}

// Cautions spells out what to mind with an advice; never empty for an advice
// that touches a part or a road, since the maker's service information always comes first.
func (c Catalogue) Cautions(a *pb.Advice) []string {
	var texts []string
	seen := map[pb.Caution]bool{}
	for _, caution := range adviceCautions(a) {
		if !seen[caution] {
			seen[caution] = true
			texts = append(texts, c.Caution(caution))
		}
	}
	return texts
}

func adviceCautions(a *pb.Advice) []pb.Caution {
	if len(a.GetCautions()) > 0 || a.GetAction() == pb.AdviceAction_ADVICE_ACTION_LEAVE_ALONE {
		return a.GetCautions()
	}
	return []pb.Caution{pb.Caution_CAUTION_SERVICE_INFORMATION_FIRST}
}

// AdviceWithCautions is the advice and, behind it, its cautions.
func (c Catalogue) AdviceWithCautions(a *pb.Advice) string {
	cautions := c.Cautions(a)
	if len(cautions) == 0 {
		return c.Advice(a)
	}
	return c.Advice(a) + " " + fmt.Sprintf(c.l.phrases.cautionList, strings.Join(cautions, " "))
}

// AdviceBecause is the advice, why it comes now, and its cautions.
func (c Catalogue) AdviceBecause(a *pb.Advice, tests []*pb.NextTest) string {
	parts := []string{c.Advice(a), c.AdviceReason(a, tests)}
	if cautions := c.Cautions(a); len(cautions) > 0 {
		parts = append(parts, fmt.Sprintf(c.l.phrases.cautionList, strings.Join(cautions, " ")))
	}
	return strings.Join(compact(parts), " ")
}

// EvidenceLine is one piece of evidence, ready for a table.
type EvidenceLine struct {
	// Name says what was compared, in which manoeuvre, at which flow.
	Name string
	// Measured is the measured value with its 90 % interval and unit.
	Measured string
	// Expected is the value expected of a true sensor on a sound engine, with its 90 % interval and unit.
	Expected string
	// Counted is false where the value is another view of evidence already counted.
	Counted bool
}

// Evidence is a piece of evidence, ready for a table.
func (c Catalogue) Evidence(e *pb.Evidence) EvidenceLine {
	signed := signedEvidence[e.GetKind()]
	return EvidenceLine{
		Name:     c.evidenceName(e),
		Measured: c.Interval(e.GetMeasured(), e.GetMeasuredUncertainty(), e.GetUnit(), signed),
		Expected: c.Interval(e.GetExpected(), e.GetExpectedUncertainty(), e.GetUnit(), signed),
		Counted:  e.GetCounted(),
	}
}

func (c Catalogue) evidenceName(e *pb.Evidence) string {
	e = orEmpty(e)
	name := c.EvidenceKind(e.GetKind())
	if e.GetBank() != 0 {
		name = fmt.Sprintf(c.l.phrases.inBank, name, e.GetBank())
	}
	if m := e.GetManoeuvre(); m != pb.ManoeuvreKind_MANOEUVRE_KIND_UNSPECIFIED {
		name = fmt.Sprintf(c.l.phrases.evidenceAt, name, c.Manoeuvre(m))
	}
	if e.FlowGPerS != nil && e.GetFlowGPerS() > 0 {
		name = fmt.Sprintf(c.l.phrases.evidenceAt, name, c.Quantity(e.GetFlowGPerS(), "g/s"))
	}
	return name
}

// EvidenceSentence is a piece of evidence as a clause for a reader who has no table before them.
func (c Catalogue) EvidenceSentence(e *pb.Evidence) string {
	line := c.Evidence(e)
	name := c.EvidenceExplained(e.GetKind())
	if m := e.GetManoeuvre(); m != pb.ManoeuvreKind_MANOEUVRE_KIND_UNSPECIFIED {
		name = fmt.Sprintf(c.l.phrases.inBrackets, name, c.Manoeuvre(m))
	}
	return fmt.Sprintf(c.l.phrases.evidenceCompared, name, line.Measured, line.Expected)
}

// Leaning says how far a piece of evidence speaks for or against a condition,
// compared with no fault; empty where the evidence does not say.
func (c Catalogue) Leaning(e *pb.Evidence, reference pb.Condition) string {
	ratio, ok := leaning(e, reference)
	if !ok {
		return ""
	}
	return c.leans(ratio)
}

// LeaningNote says which condition the leanings of a table speak for or against.
func (c Catalogue) LeaningNote(reference pb.Condition) string {
	return Sentence(fmt.Sprintf(c.l.phrases.leansReference, c.Condition(reference)))
}

// Gap is what is missing and what would supply it.
func (c Catalogue) Gap(g *pb.Gap) string {
	text := Sentence(c.gapName(g))
	if i := g.GetInspection(); i != pb.Inspection_INSPECTION_UNSPECIFIED {
		text += " " + c.InspectionTask(i)
	}
	if m := g.GetManoeuvre(); m != pb.ManoeuvreKind_MANOEUVRE_KIND_UNSPECIFIED {
		text += " " + c.ManoeuvreInstruction(m)
	}
	return text
}

// GapName is what is missing, without what would supply it.
func (c Catalogue) GapName(g *pb.Gap) string { return Sentence(c.gapName(g)) }

func (c Catalogue) gapName(g *pb.Gap) string {
	name := c.GapKind(g.GetKind())
	switch {
	case g.GetSignal() != "":
		return fmt.Sprintf(c.l.phrases.gapSignal, name, c.Signal(g.GetSignal()))
	case g.GetKind() == pb.GapKind_GAP_KIND_INSPECTION && g.GetInspection() != pb.Inspection_INSPECTION_UNSPECIFIED:
		return fmt.Sprintf(c.l.phrases.gapInspection, name, c.Inspection(g.GetInspection()))
	}
	return name
}

// Distrusted says which signal was not believed, why, and on which numbers.
func (c Catalogue) Distrusted(d *pb.DistrustedSignal) string {
	d = orEmpty(d)
	text := fmt.Sprintf(c.l.phrases.signalBecause, c.Signal(d.GetSignal()), c.DistrustReason(d.GetReason()))
	signal, _ := j1979.ByPath(d.GetSignal())
	unit := signal.Unit // a DistrustedSignal carries its numbers in it
	measured := c.Quantity(d.GetMeasured(), unit)
	expected := c.Interval(d.GetExpected(), d.GetExpectedUncertainty(), unit, false)
	switch {
	case d.Measured != nil && d.Expected != nil:
		text += "; " + fmt.Sprintf(c.l.phrases.seenExpected, measured, expected)
	case d.Measured != nil:
		text += "; " + fmt.Sprintf(c.l.phrases.seen, measured)
	case d.Expected != nil:
		text += "; " + fmt.Sprintf(c.l.phrases.expectedOnly, expected)
	}
	return Sentence(text)
}

// CauseOf names one member of an ambiguity.
func (c Catalogue) CauseOf(m *pb.AmbiguousCause) string {
	return c.causeName(m.GetCondition(), m.GetCause())
}

// MeterErrorTitle is the heading over the error curve of a bank's meter.
func (c Catalogue) MeterErrorTitle(bank int32) string {
	return c.withBank(c.l.labels.MeterError, bank)
}

// Together is the probability of several explanations together.
func (c Catalogue) Together(p float64) string {
	return fmt.Sprintf(c.l.phrases.together, c.Probability(p))
}

func (c Catalogue) ambiguousCauses(m *pb.Ambiguity) string {
	var names []string
	for _, cause := range m.GetCauses()[:min(len(m.GetCauses()), 4)] {
		names = append(names, c.causeName(cause.GetCondition(), cause.GetCause()))
	}
	return strings.Join(names, c.l.phrases.or)
}

func (c Catalogue) causeName(condition pb.Condition, cause pb.Cause) string {
	if cause == pb.Cause_CAUSE_UNSPECIFIED {
		return c.Condition(condition)
	}
	switch cause {
	case pb.Cause_CAUSE_BIAS, pb.Cause_CAUSE_STUCK, pb.Cause_CAUSE_OPEN_OR_SHORT_CIRCUIT, pb.Cause_CAUSE_INTERMITTENT:
		// Several sensors fail in these ways.
		return c.Condition(condition) + ": " + c.Cause(cause)
	}
	return c.Cause(cause)
}

// CauseInBank names a cause, and its bank where it is confined to one.
func (c Catalogue) CauseInBank(cause *pb.CauseProbability) string {
	name := c.Cause(cause.GetCause())
	if cause.GetBank() == 0 {
		return name
	}
	return fmt.Sprintf(c.l.phrases.inBank, name, cause.GetBank())
}

// SeparateBy introduces the inspections that tell the members of an ambiguity apart.
func (c Catalogue) SeparateBy() string { return Sentence(c.l.phrases.separate) }

// Stretch is what is said of a manoeuvre behind its name: used or refused, why, and its numbers.
func (c Catalogue) Stretch(m *pb.Manoeuvre) string {
	m = orEmpty(m)
	parts := []string{c.stretchUse(m)}
	if low, high := m.GetMinEngineSpeedRpm(), m.GetMaxEngineSpeedRpm(); low > 0 || high > 0 {
		parts = append(parts, fmt.Sprintf(c.l.phrases.speeds, c.number(low, "rpm", false), c.number(high, "rpm", false)))
	}
	if m.GetSampleCount() != 0 {
		parts = append(parts, fmt.Sprintf(c.l.phrases.sampleCount, Count(m.GetSampleCount())))
	}
	if m.AirRatioPercent != nil {
		parts = append(parts, fmt.Sprintf(c.l.phrases.airRatio, c.Deviation(m.GetAirRatioPercent(), "%")))
	}
	return strings.Join(parts, ", ")
}

func (c Catalogue) stretchUse(m *pb.Manoeuvre) string {
	use := c.l.labels.Refused
	switch {
	case m.GetUsed() && len(m.GetReasons()) > 0:
		use = c.l.labels.UsedWithLess
	case m.GetUsed():
		return c.l.labels.Used
	}
	var reasons []string
	const most = 4 // reasons beyond these tell a driver nothing more
	for _, reason := range m.GetReasons()[:min(len(m.GetReasons()), most)] {
		reasons = append(reasons, c.GateReason(reason))
	}
	if len(reasons) == 0 {
		return use
	}
	return fmt.Sprintf(c.l.phrases.inBrackets, use, strings.Join(reasons, "; "))
}

// SampleUse says what became of the samples, without the list of unused signals.
func (c Catalogue) SampleUse(s *pb.SampleUse) string {
	parts := []string{
		fmt.Sprintf(c.l.phrases.samplesUsed, Count(s.GetUsed()), Count(s.GetLate()), Count(s.GetOutOfRange()), Count(s.GetUnused())),
	}
	timed := s.GetClock() != pb.ClockKind_CLOCK_KIND_ROW_ORDER
	if timed {
		parts = append(parts, fmt.Sprintf(c.l.phrases.lasting, c.Duration(s.GetDurationUs())))
	}
	parts = append(parts, c.ClockKind(s.GetClock()))
	if timed && s.GetTypicalSpacingUs() != 0 {
		parts = append(parts, fmt.Sprintf(c.l.phrases.spacing, c.Duration(s.GetTypicalSpacingUs())))
	}
	if s.GetHighestFlowGPerS() != 0 {
		parts = append(parts, fmt.Sprintf(c.l.phrases.highestFlow, c.Quantity(s.GetHighestFlowGPerS(), "g/s")))
	}
	if longest := s.GetLongestGaps(); len(longest) > 0 {
		length, why := c.Duration(longest[0].GetEndUs()-longest[0].GetStartUs()), c.SampleGapReason(longest[0].GetReason())
		if s.GetGapCount() == 1 {
			parts = append(parts, fmt.Sprintf(c.l.phrases.oneGap, length, why))
		} else {
			parts = append(parts, fmt.Sprintf(c.l.phrases.manyGaps, Count(s.GetGapCount()), c.Duration(s.GetGapDurationUs()), length, why))
		}
	}
	return Sentence(strings.Join(parts, "; "))
}

// UnusedSignals introduces signals that were not used.
func (c Catalogue) UnusedSignals(list string) string {
	return Sentence(fmt.Sprintf(c.l.phrases.unusedSignals, list))
}

// More says how many entries of a list are left out.
func (c Catalogue) More(n int) string { return fmt.Sprintf(c.l.phrases.more, n) }

// MoreTogether says how many explanations are left out and how probable they are together.
func (c Catalogue) MoreTogether(n int, p float64) string {
	return fmt.Sprintf(c.l.phrases.below, n, c.Probability(p))
}

// FlowsListed says how many flows of an error curve a table lists.
func (c Catalogue) FlowsListed(n, of int) string { return fmt.Sprintf(c.l.phrases.listed, n, of) }

// EveryStep is the heading over the cautions that all advice shares.
func (c Catalogue) EveryStep() string { return c.l.phrases.everyStep }

// NoSuchLanguage says that the text is in another language than the one asked for.
func (c Catalogue) NoSuchLanguage(asked string) string {
	return fmt.Sprintf(c.l.phrases.noSuchLanguage, asked, c.LanguageCode())
}

func (c Catalogue) phraseList(phrase string, parts []string) string {
	if len(parts) == 0 {
		return ""
	}
	return fmt.Sprintf(phrase, strings.Join(parts, "; "))
}

func (c Catalogue) orElse(text, other string) string {
	if text == "" {
		return other
	}
	return text
}

// orEmpty lets optional fields be read from an entry that is nil.
func orEmpty[T any](entry *T) *T {
	if entry == nil {
		return new(T)
	}
	return entry
}

func compact(parts []string) []string {
	var kept []string
	for _, part := range parts {
		if part != "" {
			kept = append(kept, part)
		}
	}
	return kept
}

// Reference is the condition that leanings are shown for: the most probable
// one that is a fault with a signature of its own. It is unspecified where the
// assessment has none.
func Reference(a *pb.Assessment) pb.Condition {
	for _, p := range a.GetConditions() {
		switch p.GetCondition() {
		case pb.Condition_CONDITION_NO_FAULT, pb.Condition_CONDITION_UNKNOWN, pb.Condition_CONDITION_UNSPECIFIED:
			continue
		}
		return p.GetCondition()
	}
	return pb.Condition_CONDITION_UNSPECIFIED
}

func leader(a *pb.Assessment) *pb.ConditionProbability {
	for _, p := range a.GetConditions() {
		if p != nil {
			return p
		}
	}
	return nil
}

func topCause(p *pb.ConditionProbability) *pb.CauseProbability {
	for _, cause := range p.GetCauses() {
		if cause != nil {
			return cause
		}
	}
	return nil
}

// ambiguityOf finds the ambiguity that the leading condition is caught in.
func ambiguityOf(a *pb.Assessment, lead *pb.ConditionProbability) *pb.Ambiguity {
	top := topCause(lead)
	for _, m := range a.GetAmbiguities() {
		for _, cause := range m.GetCauses() {
			if cause.GetCondition() == lead.Condition && (top == nil || cause.GetCause() == top.Cause) && len(m.GetCauses()) > 1 {
				return m
			}
		}
	}
	return nil
}

func concernsMeter(condition pb.Condition) bool {
	switch condition {
	case pb.Condition_CONDITION_METER_READS_LOW, pb.Condition_CONDITION_METER_READS_HIGH, pb.Condition_CONDITION_METER_SIGNAL_FAULT:
		return true
	}
	return false
}

func onlyFinding(a *pb.Assessment, finding pb.Finding) bool {
	for _, s := range a.GetSensors() {
		if s.GetSensor() == pb.Sensor_SENSOR_AIR_METER && s.GetFinding() != finding {
			return false
		}
	}
	return true
}

func faultyBank(a *pb.Assessment, lead *pb.ConditionProbability) int32 {
	if bank := topCause(lead).GetBank(); bank != 0 {
		return bank
	}
	for _, s := range a.GetSensors() {
		if s.GetSensor() != pb.Sensor_SENSOR_AIR_METER {
			continue
		}
		switch s.GetFinding() {
		case pb.Finding_FINDING_READS_LOW, pb.Finding_FINDING_READS_HIGH, pb.Finding_FINDING_SIGNAL_FAULT:
			return s.GetBank()
		}
	}
	return 0
}

// highestError is the error at the highest flow of a bank's meter: the
// conditions are defined there.
func highestError(a *pb.Assessment, bank int32) *pb.MeterError {
	var highest *pb.MeterError
	for _, e := range a.GetMeterErrors() {
		if e.GetBank() == bank && finite(e) && (highest == nil || e.FlowGPerS >= highest.FlowGPerS) {
			highest = e
		}
	}
	return highest
}

// errorBound is how far from true a meter can be at 90 % at any flow tested.
// It is rounded up to what is shown, so that the claim is never stronger than the data.
func errorBound(a *pb.Assessment, bank int32) (bound, flow float64, ok bool) {
	for _, e := range a.GetMeterErrors() {
		if e.GetBank() != bank || !finite(e) {
			continue
		}
		ok = true
		flow = math.Max(flow, e.FlowGPerS)
		bound = math.Max(bound, math.Max(math.Abs(e.LowPercent), math.Abs(e.HighPercent)))
	}
	return roundUp(bound), flow, ok
}

func roundUp(percent float64) float64 {
	const noise = 1e-9 // keeps 3 from becoming 4 by the last bit
	if tenths := math.Ceil(percent*10-noise) / 10; tenths < percentFineBelow {
		return tenths
	}
	return math.Ceil(percent - noise)
}

func finite(e *pb.MeterError) bool {
	for _, v := range []float64{e.GetFlowGPerS(), e.GetErrorPercent(), e.GetLowPercent(), e.GetHighPercent()} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// Strength ranks a piece of evidence: counted before not counted, then by how
// far it speaks for or against the condition.
func Strength(e *pb.Evidence, reference pb.Condition) float64 {
	ratio, _ := leaning(e, reference)
	strength := math.Abs(ratio)
	if math.IsNaN(strength) {
		strength = 0
	}
	if !e.GetCounted() {
		return -1 / (1 + strength)
	}
	return strength
}

func leaning(e *pb.Evidence, reference pb.Condition) (float64, bool) {
	for _, l := range e.GetLeanings() {
		if l.GetCondition() != reference {
			continue
		}
		if l.LogLikelihoodRatioShare != nil {
			return l.GetLogLikelihoodRatioShare(), true
		}
		return l.GetLogLikelihoodRatio(), true
	}
	return 0, false
}

// strongestEvidence are the counted pieces that speak most for what the
// assessment says of the reference condition: for it, or against it where no fault leads.
func strongestEvidence(a *pb.Assessment, most int) []*pb.Evidence {
	reference := Reference(a)
	sign := 1.0
	if leader(a).GetCondition() != reference {
		sign = -1
	}
	weight := func(e *pb.Evidence) float64 {
		ratio, _ := leaning(e, reference)
		return sign * ratio
	}
	var kept []*pb.Evidence
	for _, e := range a.GetEvidence() {
		if e.GetCounted() && weight(e) >= neutralBelow {
			kept = append(kept, e)
		}
	}
	sort.SliceStable(kept, func(i, j int) bool { return weight(kept[i]) > weight(kept[j]) })
	return kept[:min(len(kept), most)]
}
