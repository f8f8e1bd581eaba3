// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"cmp"
	"math"
	"slices"
)

// What the technician may do, and the state of the world that decides how much it
// is regretted. The unit is the price of a sensor fitted; 0 is the best action for
// that state. Trade judgement, no published source [DOMAIN 6.5].
const (
	doLeave = iota
	doInspect
	doClean
	doReplace
	doCount
)

const (
	isSound = iota
	isDirty
	isFailed
	isOther
	isUnknown
	stateCount
)

var regrets = [stateCount][doCount]float64{
	isSound:   {0, 0.15, 0.20, 1.20},
	isDirty:   {0.80, 0.30, 0, 0.60},
	isFailed:  {1.00, 0.30, 0.25, 0},
	isOther:   {0.60, 0, 0.40, 1.50},
	isUnknown: {0.40, 0.10, 0.40, 1.30},
}

const (
	// clearMargin is how much cheaper the chosen action must be than the next.
	clearMargin = 0.02
	// worthInspecting is the probability from which a cause is worth an inspection of its own.
	worthInspecting = 0.12
	// openCause is the probability from which a cheaper cause must be looked at first.
	openCause = 0.03
	// defaultCleanings is how often a hot wire may be cleaned.
	defaultCleanings = 2
)

// inspectionOf is the inspection that sees a cause.
func inspectionOf(c Condition, k Cause) Inspection {
	switch k {
	case CauseAirBetweenMeterAndThrottle:
		return InspectDuctBetweenMeterAndThrottle
	case CauseWrongPartOrHousing, CauseGain, CauseOffset:
		return InspectMeterPartNumber
	case CauseChargeAirLost:
		return InspectBoostLeak
	case CauseManifoldLeak:
		return InspectIntakeLeakTest
	case CausePurgeOrCrankcaseFlow, CauseFuelVapour:
		return InspectPurgeAndCrankcaseVentilation
	case CauseFilterOrDuct:
		return InspectAirFilterAndBox
	case CauseExhaustClogged:
		return InspectExhaustBackPressure
	case CauseFuelPressureLow, CauseFuelDeliveryLimit, CauseFuelPressureHigh:
		return InspectFuelPressure
	case CauseFuelBlend:
		return InspectFuelBlend
	case CauseThrottlePlate:
		return InspectThrottleTravel
	case CauseDisplacement:
		return InspectVehicleFacts
	case CauseExhaustLeakBeforeOxygenSensor:
		return InspectExhaustLeak
	case CauseRecirculationLeaks, CauseValveTiming:
		return InspectRecirculationAndValveTiming
	case CauseOneBank:
		return InspectInjectorsOfOneBank
	case CauseUnfilteredAir:
		return InspectDustBehindFilter
	}
	switch c {
	case ConditionMeterSignalFault:
		return InspectMeterWiring
	case ConditionAirTemperatureFault:
		return InspectAirTemperatureWithThermometer
	case ConditionManifoldPressureFault:
		return InspectManifoldPressureWithGauge
	case ConditionBarometerFault:
		return InspectBarometerReference
	}
	return InspectUnspecified
}

// effort ranks inspections by what they cost, cheapest first: eyes and hands, then
// a reading, then tools, then pressure and heat.
func effort(i Inspection) int {
	order := [...]Inspection{
		InspectDuctBetweenMeterAndThrottle, InspectVehicleFacts, InspectAirFilterAndBox, InspectThrottleTravel,
		InspectDustBehindFilter, InspectMeterWiring, InspectMeterPartNumber, InspectAirTemperatureWithThermometer,
		InspectBarometerReference, InspectFuelBlend, InspectManifoldPressureWithGauge, InspectPurgeAndCrankcaseVentilation,
		InspectBoostLeak, InspectIntakeLeakTest, InspectExhaustLeak, InspectFuelPressure,
		InspectInjectorsOfOneBank, InspectRecirculationAndValveTiming, InspectExhaustBackPressure,
	}
	if k := slices.Index(order[:], i); k >= 0 {
		return k
	}
	return len(order)
}

// meterStateMass sums the posterior to what matters for the meter.
func (r *result) meterStateMass() [stateCount]float64 {
	var s [stateCount]float64
	for _, c := range r.out.Conditions {
		for _, k := range c.Causes {
			s[stateOf(c.Condition, k.Cause)] += k.Probability
		}
	}
	return s
}

func stateOf(c Condition, k Cause) int {
	switch c {
	case ConditionNoFault:
		return isSound
	case ConditionUnknown:
		return isUnknown
	case ConditionMeterSignalFault:
		return isFailed
	case ConditionMeterReadsLow, ConditionMeterReadsHigh:
		switch k {
		case CauseContaminated:
			return isDirty
		case CauseGain, CauseOffset, CauseWrongPartOrHousing:
			return isFailed
		}
	}
	return isOther
}

// expectedRegrets of each action.
func (r *result) expectedRegrets() [doCount]float64 {
	mass := r.meterStateMass()
	var e [doCount]float64
	if !r.cleanable() {
		// Dirt that may not be cleaned off, or not again, is a failed sensor.
		mass[isFailed] += mass[isDirty]
		mass[isDirty] = 0
	}
	for do := range e {
		for s, p := range mass {
			e[do] += p * regrets[s][do]
		}
	}
	if !r.mayClean() {
		e[doClean] = math.Inf(1)
	}
	if !r.mayReplace() {
		e[doReplace] = math.Inf(1)
	}
	return e
}

// cleanable: only a hot wire, a limited number of times.
func (r *result) cleanable() bool {
	limit := r.a.facts.CleaningLimit
	if limit == 0 {
		limit = defaultCleanings
	}
	return r.a.hasMeter() && r.a.facts.AirMeter == TechnologyHotWire && r.a.facts.Cleanings < limit
}

// mayClean: there is enough against the meter to touch it.
func (r *result) mayClean() bool {
	return r.cleanable() && r.byCond[ConditionMeterReadsLow]+r.byCond[ConditionMeterReadsHigh] >= cleanAt && !r.gateFailed()
}

// mayReplace: never while a cheaper cause that looks the same is open.
func (r *result) mayReplace() bool {
	if !r.a.hasMeter() || r.gateFailed() {
		return false
	}
	f := &r.a.facts
	if r.byCond[ConditionMeterSignalFault] >= leaderAt {
		return f.outcome(InspectMeterWiring) == OutcomeSound
	}
	if r.byCond[ConditionMeterReadsHigh] > r.byCond[ConditionMeterReadsLow] {
		return f.outcome(InspectMeterPartNumber) == OutcomeSound
	}
	if f.outcome(InspectDuctBetweenMeterAndThrottle) != OutcomeSound {
		return false
	}
	return r.condemnation() >= condemnAt && (!r.mayClean() || r.causeMass(ConditionMeterReadsLow, CauseContaminated) < openCause)
}

func (r *result) causeMass(c Condition, k Cause) float64 {
	sum := 0.0
	for _, x := range r.out.Conditions {
		if x.Condition != c {
			continue
		}
		for _, y := range x.Causes {
			if y.Cause == k {
				sum += y.Probability
			}
		}
	}
	return sum
}

func cheapest(e [doCount]float64) (best int, margin float64) {
	second := math.Inf(1)
	for do := range e {
		if e[do] < e[best] {
			best = do
		}
	}
	for do := range e {
		if do != best {
			second = math.Min(second, e[do])
		}
	}
	return best, second - e[best]
}

func (r *result) adviceClear() bool {
	_, margin := cheapest(r.expectedRegrets())
	return margin >= clearMargin
}

func (r *result) advise() {
	r.adviseBestTest()
	// Without a pull that counted, another drive tells more than any inspection, as long as nothing is firm.
	if r.gateFailed() || !r.hasLeader() || !r.out.Conclusive && r.a.usedCount(ManoeuvreFullLoadPull) == 0 {
		r.adviseDrive()
	}
	e := r.expectedRegrets()
	best, _ := cheapest(e)
	lead := r.out.Conditions[0]
	switch best {
	case doLeave:
		r.adviseLeave(e)
		if r.byCond[ConditionNoFault] >= leaderAt && r.a.facts.Purpose != PurposeRoutine {
			r.add(Advice{Action: ActionLookElsewhere, Inspection: InspectDustBehindFilter, Condition: ConditionNoFault, Regret: e[doInspect]})
		}
	case doClean:
		r.adviseOpenCauses(e[doInspect])
		r.add(Advice{
			Action: ActionCleanAndRetest, Sensor: SensorAirMeter, Manoeuvre: ManoeuvreFullLoadPull,
			Condition: ConditionMeterReadsLow, Regret: e[best],
		})
	case doReplace:
		r.add(Advice{Action: ActionReplace, Sensor: SensorAirMeter, Condition: lead.Condition, Regret: e[best]})
	default:
		r.adviseInspections(e)
	}
	r.adviseIntake()
	if len(r.out.Advice) == 0 || r.out.Advice[0].Action != ActionDriveAgain && !r.hasLeader() {
		r.adviseDrive()
	}
	if len(r.out.Advice) == 0 {
		r.adviseLeave(e)
	}
}

// hasLeader: one explanation, or one set that an inspection can separate, leads.
func (r *result) hasLeader() bool {
	return r.byCond[ConditionUnknown] <= unknownAt &&
		(r.out.Conditions[0].Probability >= leaderAt || r.bestAmbiguity() >= leaderAt)
}

func (r *result) adviseLeave(e [doCount]float64) {
	if r.a.hasMeter() {
		r.add(Advice{Action: ActionLeaveAlone, Sensor: SensorAirMeter, Condition: r.out.Conditions[0].Condition, Regret: e[doLeave]})
	}
}

// adviseOpenCauses puts the inspections first that could make a cleaning needless.
func (r *result) adviseOpenCauses(regret float64) {
	if p := r.causeMass(ConditionMeterReadsLow, CauseAirBetweenMeterAndThrottle); p >= openCause &&
		r.a.facts.outcome(InspectDuctBetweenMeterAndThrottle) != OutcomeSound {
		r.add(Advice{Action: ActionInspect, Inspection: InspectDuctBetweenMeterAndThrottle, Condition: ConditionMeterReadsLow, Regret: regret})
	}
}

// adviseInspections lists the inspections of the likeliest causes: the cheaper one
// first among those that the data cannot tell apart.
func (r *result) adviseInspections(e [doCount]float64) {
	type want struct {
		c Condition
		i Inspection
		p float64
	}
	var ws []want
	for _, c := range r.out.Conditions {
		if c.Condition == ConditionNoFault || c.Condition == ConditionAirTemperatureFault {
			continue
		}
		for _, k := range c.Causes {
			i := inspectionOf(c.Condition, k.Cause)
			if k.Cause == CauseContaminated {
				// Dirt itself is not inspected; what else would look like it is.
				i = InspectDuctBetweenMeterAndThrottle
			}
			if i == InspectUnspecified || r.a.facts.outcome(i) == OutcomeSound {
				continue
			}
			at := slices.IndexFunc(ws, func(w want) bool { return w.i == i })
			if at >= 0 {
				ws[at].p += k.Probability
			} else {
				ws = append(ws, want{c.Condition, i, k.Probability})
			}
		}
	}
	slices.SortStableFunc(ws, func(x, y want) int { return cmp.Compare(y.p, x.p) })
	ws = ws[:min(3, len(ws))]
	for len(ws) > 0 && ws[len(ws)-1].p < worthInspecting {
		ws = ws[:len(ws)-1]
	}
	// Among causes that the data cannot tell apart the cheaper inspection goes first, unless
	// one is ten times as probable.
	slices.SortStableFunc(ws, func(x, y want) int {
		if math.Min(x.p, y.p) > 0.1*math.Max(x.p, y.p) && r.sameAmbiguity(x.i, y.i) {
			return cmp.Compare(effort(x.i), effort(y.i))
		}
		return cmp.Compare(y.p, x.p)
	})
	meterLow := r.byCond[ConditionMeterReadsLow]+r.byCond[ConditionMeterReadsHigh]+r.byCond[ConditionMeterSignalFault] > 0.5
	for _, w := range ws {
		action := ActionLookElsewhere
		if meterLow || w.c == ConditionMeterReadsLow || w.c == ConditionMeterReadsHigh {
			action = ActionInspect
		}
		if w.i == InspectMeterWiring {
			action = ActionRepairWiring
		}
		r.add(Advice{Action: action, Inspection: w.i, Condition: w.c, Regret: e[doInspect], Sensor: sensorOf(w.c)})
	}
	if !meterLow && r.meterSoundMass() >= leaderAt {
		r.adviseLeave(e)
	}
}

func sensorOf(c Condition) Sensor {
	switch c {
	case ConditionMeterReadsLow, ConditionMeterReadsHigh, ConditionMeterSignalFault:
		return SensorAirMeter
	case ConditionAirTemperatureFault:
		return SensorIntakeAirTemperature
	}
	return SensorUnspecified
}

func (r *result) meterSoundMass() float64 {
	if r.meter != r {
		return r.meter.meterSoundMass()
	}
	return 1 - r.byCond[ConditionMeterReadsLow] - r.byCond[ConditionMeterReadsHigh] -
		r.byCond[ConditionMeterSignalFault] - r.byCond[ConditionUnknown]
}

func (r *result) sameAmbiguity(x, y Inspection) bool {
	for _, g := range r.out.Ambiguities {
		if slices.Contains(g.Inspections, x) && slices.Contains(g.Inspections, y) {
			return true
		}
	}
	return false
}

// adviseIntake handles the intake air temperature sensor, whatever holds for the meter.
func (r *result) adviseIntake() {
	p := r.byCond[ConditionAirTemperatureFault]
	if p < 0.3 {
		return
	}
	r.add(Advice{
		Action: ActionInspect, Sensor: SensorIntakeAirTemperature, Inspection: InspectAirTemperatureWithThermometer,
		Condition: ConditionAirTemperatureFault, Regret: 0.15 * (1 - p),
	})
}

// adviseDrive asks for the manoeuvre that promises most, or is missing most.
func (r *result) adviseDrive() {
	if k := r.nextDrive(); k != ManoeuvreUnspecified {
		r.add(Advice{Action: ActionDriveAgain, Manoeuvre: k, Condition: r.out.Conditions[0].Condition, Regret: driveRegret})
	}
}

// driveRegret is the price of another drive: a quarter of an hour.
const driveRegret = 0.10

func (r *result) add(a Advice) {
	for _, o := range r.out.Advice {
		if o.Action == a.Action && o.Inspection == a.Inspection && o.Manoeuvre == a.Manoeuvre && o.Sensor == a.Sensor {
			return
		}
	}
	a.Regret = math.Min(2, math.Max(0, a.Regret))
	a.Cautions = r.cautions(&a)
	r.out.Advice = append(r.out.Advice, a)
}

func (r *result) cautions(a *Advice) []Caution {
	c := []Caution{CautionServiceInformationFirst}
	switch a.Action {
	case ActionCleanAndRetest:
		c = append(c, CautionEngineOffAndCool, CautionSolventAwayFromHeat, CautionCleanerForAirFlowElementsOnly,
			CautionElementIsFragileAndMayGlow, CautionDryCompletely, CautionFindTheCauseFirst,
			CautionSecondPerson, CautionLegalRoadOrDynamometer, CautionStopOnWarning, CautionTrimsLag)
	case ActionReplace, ActionRepairWiring:
		c = append(c, CautionEngineOffAndCool, CautionDoNotClearCodes)
	case ActionDriveAgain:
		c = append(c, driveCautions(a.Manoeuvre)...)
	case ActionInspect, ActionLookElsewhere:
		c = append(c, inspectionCautions(a.Inspection)...)
	case ActionLeaveAlone:
		c = append(c, CautionDoNotClearCodes)
	}
	t := r.a.facts.AirMeter
	if a.Sensor == SensorAirMeter && (t == TechnologyVane || t == TechnologyHotFilm || t == TechnologyKarman) {
		c = append(c, CautionNeverCleanThisMeter)
	}
	return c
}

func driveCautions(k ManoeuvreKind) []Caution {
	switch k {
	case ManoeuvreFullLoadPull:
		return []Caution{CautionSecondPerson, CautionLegalRoadOrDynamometer, CautionStopOnWarning}
	case ManoeuvreSteadyCruise, ManoeuvreHighLoad, ManoeuvreOverrun:
		return []Caution{CautionSecondPerson, CautionStopOnWarning}
	case ManoeuvreWarmIdle, ManoeuvreRaisedIdle, ManoeuvreSnap:
		return []Caution{CautionExhaustExtraction, CautionHotAndMovingParts}
	}
	return nil
}

func inspectionCautions(i Inspection) []Caution {
	switch i {
	case InspectFuelPressure, InspectInjectorsOfOneBank:
		return []Caution{CautionFuelUnderPressure, CautionHotAndMovingParts}
	case InspectDuctBetweenMeterAndThrottle, InspectIntakeLeakTest, InspectPurgeAndCrankcaseVentilation, InspectBoostLeak:
		return []Caution{CautionHotAndMovingParts, CautionExhaustExtraction}
	case InspectExhaustBackPressure, InspectExhaustLeak, InspectRecirculationAndValveTiming:
		return []Caution{CautionHotAndMovingParts, CautionExhaustExtraction}
	case InspectVehicleFacts, InspectFuelBlend, InspectBarometerReference:
		return nil
	}
	return []Caution{CautionEngineOffAndCool}
}
