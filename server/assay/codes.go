// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

// The codes below carry the numbers of the enums of the same names in
// airassay.v1beta1, so that the boundary is a conversion and not a table; the
// assay itself does not know the API. A test in server/rpc compares names and numbers.

// Condition is one explanation of the evidence.
type Condition int32

// Values of Condition.
const (
	// ConditionUnspecified: Not stated.
	ConditionUnspecified Condition = 0
	// ConditionNoFault: Nothing that concerns the intake air is wrong.
	ConditionNoFault Condition = 1
	// ConditionMeterReadsLow: The metered flow is below the air that the engine really takes, at the highest flow tested.
	ConditionMeterReadsLow Condition = 2
	// ConditionMeterReadsHigh: The metered flow is above the air that the engine really takes, at the highest flow tested.
	ConditionMeterReadsHigh Condition = 3
	// ConditionMeterSignalFault: The meter's signal is stuck, interrupted, at a limit or replaced by the control unit.
	ConditionMeterSignalFault Condition = 4
	// ConditionLeakAfterMeter: Air enters after the throttle.
	ConditionLeakAfterMeter Condition = 5
	// ConditionIntakeRestricted: Filter or intake duct chokes the engine.
	ConditionIntakeRestricted Condition = 6
	// ConditionExhaustRestricted: The exhaust chokes the engine.
	ConditionExhaustRestricted Condition = 7
	// ConditionFuelWeak: Less fuel is delivered than was asked for.
	ConditionFuelWeak Condition = 8
	// ConditionFuelRich: More fuel is delivered than was asked for.
	ConditionFuelRich Condition = 9
	// ConditionAirTemperatureFault: The intake air temperature sensor is wrong.
	ConditionAirTemperatureFault Condition = 10
	// ConditionManifoldPressureFault: The manifold pressure sensor is wrong.
	ConditionManifoldPressureFault Condition = 11
	// ConditionBarometerFault: The barometric pressure is wrong.
	ConditionBarometerFault Condition = 12
	// ConditionThrottleLimited: The throttle does not open as far as the pedal asks.
	ConditionThrottleLimited Condition = 13
	// ConditionVehicleFactsWrong: The vehicle's facts as entered do not fit the vehicle.
	ConditionVehicleFactsWrong Condition = 14
	// ConditionUnknown: Something else.
	ConditionUnknown Condition = 15
)

// Cause is one way in which a condition comes about.
type Cause int32

// Values of Cause.
const (
	// CauseUnspecified: Not stated.
	CauseUnspecified Cause = 0
	// CauseContaminated: Dirt on the heated element.
	CauseContaminated Cause = 1
	// CauseGain: The meter's scale is off by one factor at every flow.
	CauseGain Cause = 2
	// CauseOffset: The meter is off by the same amount of air at every flow.
	CauseOffset Cause = 3
	// CauseWrongPartOrHousing: A meter that is not the one for this engine, or a modified housing.
	CauseWrongPartOrHousing Cause = 4
	// CauseAirBetweenMeterAndThrottle: Unmetered air enters between meter and throttle.
	CauseAirBetweenMeterAndThrottle Cause = 5
	// CauseChargeAirLost: Metered air is lost between compressor and throttle.
	CauseChargeAirLost Cause = 6
	// CauseStuck: The signal does not move.
	CauseStuck Cause = 7
	// CauseOpenOrShortCircuit: The signal stands at the limit that an open or short circuit shows.
	CauseOpenOrShortCircuit Cause = 8
	// CauseIntermittent: The signal drops out or jumps.
	CauseIntermittent Cause = 9
	// CauseReplacedByModel: The control unit has replaced the sensor by a model.
	CauseReplacedByModel Cause = 10
	// CauseManifoldLeak: Air enters the manifold through a leak.
	CauseManifoldLeak Cause = 11
	// CausePurgeOrCrankcaseFlow: Tank purge or crankcase ventilation passes more than it should.
	CausePurgeOrCrankcaseFlow Cause = 12
	// CauseFilterOrDuct: Clogged filter element or collapsed duct.
	CauseFilterOrDuct Cause = 13
	// CauseExhaustClogged: Clogged catalyst, particle filter or silencer.
	CauseExhaustClogged Cause = 14
	// CauseFuelPressureLow: Fuel pressure is low everywhere.
	CauseFuelPressureLow Cause = 15
	// CauseFuelDeliveryLimit: Fuel delivery reaches its limit at high flow.
	CauseFuelDeliveryLimit Cause = 16
	// CauseFuelBlend: The fuel's own air demand differs from what the control unit assumes.
	CauseFuelBlend Cause = 17
	// CauseFuelPressureHigh: Fuel pressure is high, or injectors pass too much.
	CauseFuelPressureHigh Cause = 18
	// CauseFuelVapour: Fuel vapour or fuel in the oil enriches the mixture.
	CauseFuelVapour Cause = 19
	// CauseBias: The sensor is off by a constant amount.
	CauseBias Cause = 20
	// CauseThrottlePlate: The throttle plate does not open fully.
	CauseThrottlePlate Cause = 21
	// CauseDisplacement: The displacement as entered is not the engine's.
	CauseDisplacement Cause = 22
	// CauseExhaustLeakBeforeOxygenSensor: Exhaust leak before the oxygen sensor, or an oxygen sensor that reads lean.
	CauseExhaustLeakBeforeOxygenSensor Cause = 23
	// CauseRecirculationLeaks: Exhaust gas recirculation leaks.
	CauseRecirculationLeaks Cause = 24
	// CauseValveTiming: Valve timing is not as the control unit believes.
	CauseValveTiming Cause = 25
	// CauseOneBank: Injectors or ignition of one bank.
	CauseOneBank Cause = 26
	// CauseNotModelled: None of the causes that the assay knows.
	CauseNotModelled Cause = 27
	// CauseNone: Everything is as it should be.
	CauseNone Cause = 28
	// CauseUnfilteredAir: Air passes the filter by: all of it is metered and nothing measurable is wrong, but its dust is what contaminates meters.
	CauseUnfilteredAir Cause = 29
)

// InconclusiveReason is why an assessment is not conclusive.
type InconclusiveReason int32

// Values of InconclusiveReason.
const (
	// InconclusiveUnspecified: Not stated.
	InconclusiveUnspecified InconclusiveReason = 0
	// InconclusiveNoLeader: No condition and no ambiguity reaches 0.60.
	InconclusiveNoLeader InconclusiveReason = 1
	// InconclusiveUnknownTooProbable: "Something else" is above 0.20.
	InconclusiveUnknownTooProbable InconclusiveReason = 2
	// InconclusiveNoCheapestAdvice: Two actions cost about the same.
	InconclusiveNoCheapestAdvice InconclusiveReason = 3
	// InconclusiveGateFailed: A mandatory gate failed: see the refused manoeuvres and the gaps.
	InconclusiveGateFailed InconclusiveReason = 4
	// InconclusiveFlowRangeTooSmall: Too little of the flow range was driven.
	InconclusiveFlowRangeTooSmall InconclusiveReason = 5
	// InconclusiveNotRepeatable: Pulls do not repeat.
	InconclusiveNotRepeatable InconclusiveReason = 6
	// InconclusiveNotSimultaneous: Values that were sampled together do not belong together in time.
	InconclusiveNotSimultaneous InconclusiveReason = 7
	// InconclusiveContradiction: Metered air and manifold pressure contradict each other by more than any explanation allows, so that nothing firm is said against the meter.
	InconclusiveContradiction InconclusiveReason = 8
	// InconclusiveHalfOfTrims: Only one of the fuel trims, short-term or long-term, was recorded; the other may hide a fault.
	InconclusiveHalfOfTrims InconclusiveReason = 9
)

// Sensor is a sensor that is judged.
type Sensor int32

// Values of Sensor.
const (
	// SensorUnspecified: Not stated.
	SensorUnspecified Sensor = 0
	// SensorAirMeter: The air meter.
	SensorAirMeter Sensor = 1
	// SensorIntakeAirTemperature: The intake air temperature sensor.
	SensorIntakeAirTemperature Sensor = 2
)

// Finding is what was found of a sensor.
type Finding int32

// Values of Finding.
const (
	// FindingUnspecified: Not stated.
	FindingUnspecified Finding = 0
	// FindingReadsTrue: The sensor reads true.
	FindingReadsTrue Finding = 1
	// FindingReadsLow: The sensor reads too little.
	FindingReadsLow Finding = 2
	// FindingReadsHigh: The sensor reads too much.
	FindingReadsHigh Finding = 3
	// FindingSignalFault: The sensor's signal is stuck, interrupted or at a limit.
	FindingSignalFault Finding = 4
	// FindingNotFitted: The vehicle has no such sensor.
	FindingNotFitted Finding = 5
	// FindingInconclusive: The data do not decide.
	FindingInconclusive Finding = 6
)

// EvidenceKind is what a piece of evidence compares.
type EvidenceKind int32

// Values of EvidenceKind.
const (
	// EvidenceUnspecified: Not stated.
	EvidenceUnspecified EvidenceKind = 0
	// EvidenceAirRatio: Metered air over the air that displacement, speed, pressure and temperature imply; ratio − 1, in percent.
	EvidenceAirRatio EvidenceKind = 1
	// EvidenceFuelTrim: Total fuel trim, (1 + short)·(1 + long) − 1, in percent.
	EvidenceFuelTrim EvidenceKind = 2
	// EvidenceFuelRate: Air implied by fuel rate and lambda over metered air; ratio − 1, in percent.
	EvidenceFuelRate EvidenceKind = 3
	// EvidenceFullLoadLambda: Measured over commanded lambda at full load; ratio − 1, in percent.
	EvidenceFullLoadLambda EvidenceKind = 4
	// EvidenceFullLoadOxygenVoltage: Voltage of a narrow-band oxygen sensor at full load, in volts.
	EvidenceFullLoadOxygenVoltage EvidenceKind = 5
	// EvidenceCalculatedLoad: Calculated load at full load, in percent.
	EvidenceCalculatedLoad EvidenceKind = 6
	// EvidenceAbsoluteLoad: Absolute load over the load that displacement, pressure and temperature imply; ratio − 1, in percent.
	EvidenceAbsoluteLoad EvidenceKind = 7
	// EvidenceManifoldDeficit: Pressure lost between barometer and manifold at full load, in percent of the barometer.
	EvidenceManifoldDeficit EvidenceKind = 8
	// EvidenceControlUnitDisplacement: Displacement that the control unit computes with, in litres.
	EvidenceControlUnitDisplacement EvidenceKind = 9
	// EvidenceControlUnitVolumetricEfficiency: Volumetric efficiency at full load that the control unit's own load table implies, in percent.
	EvidenceControlUnitVolumetricEfficiency EvidenceKind = 10
	// EvidenceMeterAtRest: Metered flow with the engine at rest, in grams per second.
	EvidenceMeterAtRest EvidenceKind = 11
	// EvidenceManifoldPressureAtRest: Manifold pressure less barometric pressure with the engine at rest, in kilopascals.
	EvidenceManifoldPressureAtRest EvidenceKind = 12
	// EvidenceBarometerAgainstAltitude: Barometric pressure against the place's height, in kilopascals.
	EvidenceBarometerAgainstAltitude EvidenceKind = 13
	// EvidenceAirTemperatureAtColdSoak: Intake air temperature less the median of the others after a cold soak, in kelvin.
	EvidenceAirTemperatureAtColdSoak EvidenceKind = 14
	// EvidenceAirTemperatureOnTheRoad: Intake air temperature less outside temperature on the road, in kelvin.
	EvidenceAirTemperatureOnTheRoad EvidenceKind = 15
	// EvidenceAirTemperatureMovement: Movement of the intake air temperature over the drive, in kelvin.
	EvidenceAirTemperatureMovement EvidenceKind = 16
	// EvidenceMeterDropouts: Share of the air meter's samples that drop out or jump, in percent.
	EvidenceMeterDropouts EvidenceKind = 17
	// EvidenceMeterMovement: Movement of the air meter while engine speed or pressure moved; slope of the logarithms.
	EvidenceMeterMovement EvidenceKind = 18
	// EvidenceMeterResponse: Time in which the air meter follows a snap of the throttle to 90 %, in seconds.
	EvidenceMeterResponse EvidenceKind = 19
	// EvidenceBankDifference: Total fuel trim of bank 1 less that of bank 2, in percent.
	EvidenceBankDifference EvidenceKind = 20
	// EvidenceMeterDifference: Flow of one meter over that of the other; ratio − 1, in percent.
	EvidenceMeterDifference EvidenceKind = 21
	// EvidenceThrottleOpening: Throttle opening while the pedal is fully down, in percent.
	EvidenceThrottleOpening EvidenceKind = 22
	// EvidenceRepeatability: Spread of the air ratio between pulls, in percent.
	EvidenceRepeatability EvidenceKind = 23
	// EvidenceBoost: Boost pressure over commanded boost pressure; ratio − 1, in percent.
	EvidenceBoost EvidenceKind = 24
	// EvidenceFilterPressureDrop: Pressure drop over the air filter, in kilopascals.
	EvidenceFilterPressureDrop EvidenceKind = 25
	// EvidenceExhaustPressure: Exhaust pressure above the barometer, in kilopascals.
	EvidenceExhaustPressure EvidenceKind = 26
	// EvidenceRailPressure: Fuel rail pressure over its usual value at low flow; ratio − 1, in percent.
	EvidenceRailPressure EvidenceKind = 27
)

// ManoeuvreKind is a stretch with a diagnostic meaning.
type ManoeuvreKind int32

// Values of ManoeuvreKind.
const (
	// ManoeuvreUnspecified: Not stated, or not bound to one manoeuvre.
	ManoeuvreUnspecified ManoeuvreKind = 0
	// ManoeuvreColdSoak: Key on after hours of rest, before the engine is started.
	ManoeuvreColdSoak ManoeuvreKind = 1
	// ManoeuvreKeyOnEngineOff: Key on, engine off.
	ManoeuvreKeyOnEngineOff ManoeuvreKind = 2
	// ManoeuvreWarmIdle: Warm engine at idle, vehicle standing.
	ManoeuvreWarmIdle ManoeuvreKind = 3
	// ManoeuvreRaisedIdle: Warm engine held at about 2500 revolutions per minute, vehicle standing.
	ManoeuvreRaisedIdle ManoeuvreKind = 4
	// ManoeuvreSteadyCruise: Steady part load on the road.
	ManoeuvreSteadyCruise ManoeuvreKind = 5
	// ManoeuvreHighLoad: Steady high load short of full load.
	ManoeuvreHighLoad ManoeuvreKind = 6
	// ManoeuvreFullLoadPull: Full load with rising engine speed.
	ManoeuvreFullLoadPull ManoeuvreKind = 7
	// ManoeuvreOverrun: Throttle closed, engine driven by the vehicle.
	ManoeuvreOverrun ManoeuvreKind = 8
	// ManoeuvreSnap: Throttle opened at once, vehicle standing.
	ManoeuvreSnap ManoeuvreKind = 9
)

// GateReason is why a stretch was refused or weakened.
type GateReason int32

// Values of GateReason.
const (
	// GateUnspecified: Not stated.
	GateUnspecified GateReason = 0
	// GateEngineNotWarm: Coolant below its working temperature.
	GateEngineNotWarm GateReason = 1
	// GateNotClosedLoop: Fuel control was not in closed loop.
	GateNotClosedLoop GateReason = 2
	// GatePurgeOpen: Tank purge was open.
	GatePurgeOpen GateReason = 3
	// GateThrottleNotOpen: The throttle was not fully open.
	GateThrottleNotOpen GateReason = 4
	// GateGearChange: Gear change, slip or a lifted pedal in the middle.
	GateGearChange GateReason = 5
	// GateTooFewSamples: Too few samples.
	GateTooFewSamples GateReason = 6
	// GateSupplyVoltage: Supply voltage out of its band.
	GateSupplyVoltage GateReason = 7
	// GateBoostBelowTarget: Boost below its target.
	GateBoostBelowTarget GateReason = 8
	// GateRecirculationOpen: Exhaust gas recirculation open.
	GateRecirculationOpen GateReason = 9
	// GateTooShort: Too short.
	GateTooShort GateReason = 10
	// GateNotSteady: Not settled.
	GateNotSteady GateReason = 11
	// GateNotSimultaneous: The values were sampled too far apart in time.
	GateNotSimultaneous GateReason = 12
	// GateEngineSpeedTooLow: Engine speed too low for an undisturbed flow.
	GateEngineSpeedTooLow GateReason = 13
	// GateSpeedSpanTooSmall: Engine speed did not rise far enough.
	GateSpeedSpanTooSmall GateReason = 14
	// GateNoClock: The recording has no clock.
	GateNoClock GateReason = 15
	// GateTrimsNotLearned: The learned trims were erased not long ago.
	GateTrimsNotLearned GateReason = 16
	// GateRestTooShort: The engine was not off for long enough, or nobody says how long.
	GateRestTooShort GateReason = 17
	// GateRefreshTooSlow: The vehicle refreshes the value too slowly.
	GateRefreshTooSlow GateReason = 18
	// GateSamplesMissing: Samples are missing in the middle.
	GateSamplesMissing GateReason = 19
)

// GapKind is something that is missing for a firm verdict.
type GapKind int32

// Values of GapKind.
const (
	// GapUnspecified: Not stated.
	GapUnspecified GapKind = 0
	// GapFullLoad: No usable full-load pull.
	GapFullLoad GapKind = 1
	// GapSecondPull: Fewer than two usable pulls.
	GapSecondPull GapKind = 2
	// GapWarmIdle: No usable warm idle.
	GapWarmIdle GapKind = 3
	// GapSteadyCruise: No usable steady cruise.
	GapSteadyCruise GapKind = 4
	// GapHighLoad: No usable high load in closed loop.
	GapHighLoad GapKind = 5
	// GapKeyOnEngineOff: No reading at rest.
	GapKeyOnEngineOff GapKind = 6
	// GapColdSoak: No reading after a cold soak.
	GapColdSoak GapKind = 7
	// GapWarmEngine: The engine was never warm.
	GapWarmEngine GapKind = 8
	// GapDisplacement: Displacement is not known.
	GapDisplacement GapKind = 9
	// GapBarometricPressure: Neither barometer nor height is known.
	GapBarometricPressure GapKind = 10
	// GapOutsideTemperature: No outside temperature that can be trusted.
	GapOutsideTemperature GapKind = 11
	// GapSignal: A signal that would help was not recorded; see signal.
	GapSignal GapKind = 12
	// GapSimultaneity: Values were not sampled close enough together.
	GapSimultaneity GapKind = 13
	// GapInspection: An inspection is open; see inspection.
	GapInspection GapKind = 14
	// GapLearnedTrims: Learned trims have not settled since they were erased.
	GapLearnedTrims GapKind = 15
	// GapReferenceDrive: No reference of this engine: its volumetric efficiency is not known well enough.
	GapReferenceDrive GapKind = 16
	// GapFuelContradicted: The fuel that was entered cannot be right; judged with the one that the samples show.
	GapFuelContradicted GapKind = 17
	// GapAspirationContradicted: The aspiration that was entered cannot be right; judged as a charged engine.
	GapAspirationContradicted GapKind = 18
	// GapDriverNotRead: Neither pedal nor throttle was read in the pulls; that the load was full follows from engine speed and air flow.
	GapDriverNotRead GapKind = 19
)

// Action is what to do next.
type Action int32

// Values of Action.
const (
	// ActionUnspecified: Not stated.
	ActionUnspecified Action = 0
	// ActionLeaveAlone: Leave the sensors alone.
	ActionLeaveAlone Action = 1
	// ActionLookElsewhere: The fault is elsewhere; look there.
	ActionLookElsewhere Action = 2
	// ActionInspect: Carry out the inspection.
	ActionInspect Action = 3
	// ActionCleanAndRetest: Clean the hot wire once, gently, and drive the same test again.
	ActionCleanAndRetest Action = 4
	// ActionReplace: Replace the sensor.
	ActionReplace Action = 5
	// ActionRepairWiring: Repair connector or wires.
	ActionRepairWiring Action = 6
	// ActionDriveAgain: Drive the manoeuvre that is missing.
	ActionDriveAgain Action = 7
)

// Caution is something to mind. The vehicle maker's service information, local
// law and licensed practice come before every advice.
type Caution int32

// Values of Caution.
const (
	// CautionUnspecified: Not stated.
	CautionUnspecified Caution = 0
	// CautionServiceInformationFirst: The maker's service information, local law and licensed practice come first.
	CautionServiceInformationFirst Caution = 1
	// CautionSecondPerson: The driver drives; a second person reads the screen.
	CautionSecondPerson Caution = 2
	// CautionLegalRoadOrDynamometer: Full load only on a dynamometer, or on a road where it is legal and safe.
	CautionLegalRoadOrDynamometer Caution = 3
	// CautionEngineOffAndCool: Engine off, key out, parts cool, before hands go in.
	CautionEngineOffAndCool Caution = 4
	// CautionSolventAwayFromHeat: Solvents away from heat and flame; ventilate; gloves and eye protection.
	CautionSolventAwayFromHeat Caution = 5
	// CautionCleanerForAirFlowElementsOnly: Only residue-free cleaner made for air-flow elements; never brake cleaner or compressed air.
	CautionCleanerForAirFlowElementsOnly Caution = 6
	// CautionElementIsFragileAndMayGlow: Do not touch the element; unplug it and wait two minutes: some glow after key-off.
	CautionElementIsFragileAndMayGlow Caution = 7
	// CautionDryCompletely: Let it dry completely before it is refitted and powered.
	CautionDryCompletely Caution = 8
	// CautionFindTheCauseFirst: Find the cause first, or the dirt returns.
	CautionFindTheCauseFirst Caution = 9
	// CautionFuelUnderPressure: Fuel is under pressure: trained staff and the maker's procedure only.
	CautionFuelUnderPressure Caution = 10
	// CautionHotAndMovingParts: Hot exhaust, moving belts and fans.
	CautionHotAndMovingParts Caution = 11
	// CautionExhaustExtraction: Exhaust gas: extraction indoors.
	CautionExhaustExtraction Caution = 12
	// CautionStopOnWarning: Stop on misfire, knock, over-temperature or a flashing warning lamp.
	CautionStopOnWarning Caution = 13
	// CautionNeverCleanThisMeter: This kind of meter is never cleaned.
	CautionNeverCleanThisMeter Caution = 14
	// CautionDoNotClearCodes: Do not clear trouble codes: that erases the learned trims, which are evidence.
	CautionDoNotClearCodes Caution = 15
	// CautionTrimsLag: Learned trims lag behind a repair: judge short and long trim together.
	CautionTrimsLag Caution = 16
)

// DistrustReason is why a signal was not believed.
type DistrustReason int32

// Values of DistrustReason.
const (
	// DistrustUnspecified: Not stated.
	DistrustUnspecified DistrustReason = 0
	// DistrustOutOfRange: Values outside what the quantity can be.
	DistrustOutOfRange DistrustReason = 1
	// DistrustFrozen: The value never moves though it must.
	DistrustFrozen DistrustReason = 2
	// DistrustOpenOrShortCircuit: The value stands at the limit that an open or short circuit shows.
	DistrustOpenOrShortCircuit DistrustReason = 3
	// DistrustContradicted: The value contradicts several others that agree with each other.
	DistrustContradicted DistrustReason = 4
	// DistrustImpossibleMovement: The value moves in a way that the quantity cannot.
	DistrustImpossibleMovement DistrustReason = 5
	// DistrustNotSimultaneous: Sampled too far apart in time from what it is compared with.
	DistrustNotSimultaneous DistrustReason = 6
	// DistrustNotIndependent: Computed by the control unit from a sensor that is already counted.
	DistrustNotIndependent DistrustReason = 7
	// DistrustIntermittent: The value jumps or drops out.
	DistrustIntermittent DistrustReason = 8
	// DistrustRefreshTooSlow: Refreshed too slowly by the vehicle.
	DistrustRefreshTooSlow DistrustReason = 9
	// DistrustSaturated: At the end of what the parameter can express.
	DistrustSaturated DistrustReason = 10
)

// Inspection is something that hands and eyes can check and the data link cannot.
type Inspection int32

// Values of Inspection.
const (
	// InspectUnspecified: Not stated.
	InspectUnspecified Inspection = 0
	// InspectDuctBetweenMeterAndThrottle: Duct and clamps between air meter and throttle, flexed with the engine at idle.
	InspectDuctBetweenMeterAndThrottle Inspection = 1
	// InspectAirFilterAndBox: Air filter element, air box and inlet for clogging or a collapsed duct.
	InspectAirFilterAndBox Inspection = 2
	// InspectDustBehindFilter: Dust downstream of the filter, a torn element, an open air box.
	InspectDustBehindFilter Inspection = 3
	// InspectIntakeLeakTest: Manifold, hoses and gaskets for leaks, by smoke or low pressure.
	InspectIntakeLeakTest Inspection = 4
	// InspectFuelPressure: Fuel pressure at rest and under load, by trained staff to the maker's procedure.
	InspectFuelPressure Inspection = 5
	// InspectExhaustBackPressure: Exhaust back-pressure, or the pressure drop over catalyst and filter.
	InspectExhaustBackPressure Inspection = 6
	// InspectThrottleTravel: Throttle plate and pedal: does the plate open fully.
	InspectThrottleTravel Inspection = 7
	// InspectMeterWiring: Connector and wires of the air meter.
	InspectMeterWiring Inspection = 8
	// InspectMeterPartNumber: Part number and housing of the air meter against the maker's list.
	InspectMeterPartNumber Inspection = 9
	// InspectAirTemperatureWithThermometer: Intake air temperature against a hand thermometer, and the resistance of the sensor.
	InspectAirTemperatureWithThermometer Inspection = 10
	// InspectManifoldPressureWithGauge: Manifold pressure against a gauge, and against the barometer at rest.
	InspectManifoldPressureWithGauge Inspection = 11
	// InspectVehicleFacts: Displacement, aspiration and fuel as entered against the vehicle's papers.
	InspectVehicleFacts Inspection = 12
	// InspectExhaustLeak: Exhaust before the oxygen sensor for leaks.
	InspectExhaustLeak Inspection = 13
	// InspectRecirculationAndValveTiming: Exhaust gas recirculation valve and valve timing.
	InspectRecirculationAndValveTiming Inspection = 14
	// InspectPurgeAndCrankcaseVentilation: Crankcase ventilation and tank purge, closed off one at a time by service information.
	InspectPurgeAndCrankcaseVentilation Inspection = 15
	// InspectBarometerReference: The barometric sensor against a local barometer reduced to the place's height.
	InspectBarometerReference Inspection = 16
	// InspectFuelBlend: The ethanol content of the fuel.
	InspectFuelBlend Inspection = 17
	// InspectBoostLeak: Compressor outlet, charge-air cooler and hoses for a loss of boost.
	InspectBoostLeak Inspection = 18
	// InspectInjectorsOfOneBank: Injectors and ignition of the odd bank.
	InspectInjectorsOfOneBank Inspection = 19
)

// InspectionOutcome says what an inspection found.
type InspectionOutcome int32

// Values of InspectionOutcome.
const (
	// OutcomeUnspecified: Not stated.
	OutcomeUnspecified InspectionOutcome = 0
	// OutcomeSound: The part is sound.
	OutcomeSound InspectionOutcome = 1
	// OutcomeFaulty: The part is faulty.
	OutcomeFaulty InspectionOutcome = 2
)

// Aspiration is how the engine is charged.
type Aspiration int32

// Values of Aspiration.
const (
	// AspirationUnspecified: Not known.
	AspirationUnspecified Aspiration = 0
	// AspirationNatural: Naturally aspirated.
	AspirationNatural Aspiration = 1
	// AspirationTurbo: Charged by an exhaust turbine.
	AspirationTurbo Aspiration = 2
	// AspirationSupercharged: Charged by a mechanically driven compressor.
	AspirationSupercharged Aspiration = 3
)

// Fuel is what the engine burns.
type Fuel int32

// Values of Fuel.
const (
	// FuelUnspecified: Not known.
	FuelUnspecified Fuel = 0
	// FuelGasoline: Petrol, with no more ethanol than is usual at the pump.
	FuelGasoline Fuel = 1
	// FuelDiesel: Diesel: unthrottled, no fuel trims.
	FuelDiesel Fuel = 2
	// FuelEthanol: Ethanol blends from E50 up.
	FuelEthanol Fuel = 3
	// FuelLpg: Liquefied petroleum gas.
	FuelLpg Fuel = 4
	// FuelCng: Compressed natural gas.
	FuelCng Fuel = 5
)

// Technology is how an air meter works. It decides what may be done to it.
type Technology int32

// Values of Technology.
const (
	// TechnologyUnspecified: Not known.
	TechnologyUnspecified Technology = 0
	// TechnologyVane: A sprung flap in the duct, with a potentiometer.
	TechnologyVane Technology = 1
	// TechnologyHotWire: An exposed heated wire or bead. The only kind that is ever cleaned.
	TechnologyHotWire Technology = 2
	// TechnologyHotFilm: A heated film or membrane on a chip. Never cleaned.
	TechnologyHotFilm Technology = 3
	// TechnologyKarman: A Karman vortex counter. Never cleaned.
	TechnologyKarman Technology = 4
	// TechnologyNone: The vehicle has no air meter; it computes the air from manifold pressure.
	TechnologyNone Technology = 5
)

// Cycle is the working cycle.
type Cycle int32

// Values of Cycle.
const (
	// CycleUnspecified: Not known.
	CycleUnspecified Cycle = 0
	// CycleOtto: The ordinary four-stroke cycle.
	CycleOtto Cycle = 1
	// CycleAtkinson: Late or early closing intake valves: a full cylinder holds less air.
	CycleAtkinson Cycle = 2
)

// Location is where the intake air temperature sensor sits.
type Location int32

// Values of Location.
const (
	// LocationUnspecified: Not known.
	LocationUnspecified Location = 0
	// LocationInMeter: In the housing of the air meter.
	LocationInMeter Location = 1
	// LocationSeparate: A sensor of its own, before the throttle and before any charge-air cooler.
	LocationSeparate Location = 2
	// LocationAfterCooler: After the charge-air cooler or in the manifold.
	LocationAfterCooler Location = 3
)

// Purpose is why a vehicle is tested.
type Purpose int32

// Values of Purpose.
const (
	// PurposeUnspecified: Not stated; treated as a complaint.
	PurposeUnspecified Purpose = 0
	// PurposeComplaint: The driver complains, or a trouble code is set.
	PurposeComplaint Purpose = 1
	// PurposeRoutine: A check without complaint: a fault is improbable.
	PurposeRoutine Purpose = 2
	// PurposeAfterService: A retest after a repair or a cleaning; learned trims may still lag.
	PurposeAfterService Purpose = 3
)

// Clock is what the times of a capture rest on.
type Clock int32

// Values of Clock.
const (
	// ClockUnspecified: Not stated.
	ClockUnspecified Clock = 0
	// ClockHardware: Time stamps made by the interface hardware or the kernel.
	ClockHardware Clock = 1
	// ClockHost: Time stamps made by the program that polled.
	ClockHost Clock = 2
	// ClockWholeSecond: Whole seconds: several samples share a stamp.
	ClockWholeSecond Clock = 3
	// ClockRowOrder: No clock at all: only the order of the rows is known. Every dynamic test is disabled.
	ClockRowOrder Clock = 4
)

// SampleGapReason is why samples are missing.
type SampleGapReason int32

// Values of SampleGapReason.
const (
	// HoleUnspecified: Not stated.
	HoleUnspecified SampleGapReason = 0
	// HoleAdapterRestarted: The adapter's process ended and was started again.
	HoleAdapterRestarted SampleGapReason = 1
	// HoleLinkLost: The interface hardware or the vehicle did not answer.
	HoleLinkLost SampleGapReason = 2
	// HoleOverrun: The source dropped samples because it was not read fast enough.
	HoleOverrun SampleGapReason = 3
	// HoleRecorded: The recording itself holds the gap.
	HoleRecorded SampleGapReason = 4
	// HoleServerRestarted: The server was not running.
	HoleServerRestarted SampleGapReason = 5
	// HoleSourceFault: The source dropped samples that it could not deliver rightly.
	HoleSourceFault SampleGapReason = 6
)

// ReferenceBelief is whether a reference drive was believed.
type ReferenceBelief int32

// Values of ReferenceBelief.
const (
	// ReferenceUnspecified: Not stated.
	ReferenceUnspecified ReferenceBelief = 0
	// ReferenceBelieved: It is of this engine, and its sensors were true.
	ReferenceBelieved ReferenceBelief = 1
	// ReferenceUndecided: It counts for as much as it is probable.
	ReferenceUndecided ReferenceBelief = 2
	// ReferenceNotBelieved: Its sensors were not true, or it is of another engine; the verdict rests on the drive alone.
	ReferenceNotBelieved ReferenceBelief = 3
	// ReferenceNotUsable: It has too little to compare with, or its air meter's signal was faulty.
	ReferenceNotUsable ReferenceBelief = 4
)

// ComparisonOutcome is what came of a repair.
type ComparisonOutcome int32

// Values of ComparisonOutcome.
const (
	// ComparedUnspecified: Not stated.
	ComparedUnspecified ComparisonOutcome = 0
	// ComparedRestored: A real improvement, and nothing is wrong any more.
	ComparedRestored ComparisonOutcome = 1
	// ComparedPartly: A real improvement; something remains.
	ComparedPartly ComparisonOutcome = 2
	// ComparedUnchanged: No change beyond repeatability.
	ComparedUnchanged ComparisonOutcome = 3
	// ComparedWorse: A real change for the worse.
	ComparedWorse ComparisonOutcome = 4
	// ComparedNotComparable: The two drives do not say what has changed; see the concerns.
	ComparedNotComparable ComparisonOutcome = 5
)

// ComparisonConcern is something that stands between two drives.
type ComparisonConcern int32

// Values of ComparisonConcern.
const (
	// ConcernUnspecified: Not stated.
	ConcernUnspecified ComparisonConcern = 0
	// ConcernOtherEngine: The facts are of two different engines.
	ConcernOtherEngine ComparisonConcern = 1
	// ConcernNoCommonFlow: No two levels of flow, cruise or full load among them, were driven on both.
	ConcernNoCommonFlow ComparisonConcern = 2
	// ConcernGateFailedBefore: The drive before failed a mandatory gate: a cold engine, missing signals, values not sampled together, pulls that do not repeat.
	ConcernGateFailedBefore ComparisonConcern = 3
	// ConcernGateFailedAfter: The drive after failed a mandatory gate.
	ConcernGateFailedAfter ComparisonConcern = 4
	// ConcernTrimsNotLearnedBefore: Learned trims were erased not long before the drive before; its trims were not counted.
	ConcernTrimsNotLearnedBefore ComparisonConcern = 5
	// ConcernTrimsNotLearnedAfter: Learned trims were erased not long before the drive after; its trims were not counted.
	ConcernTrimsNotLearnedAfter ComparisonConcern = 6
	// ConcernFuelDiffers: Another fuel or blend was in the tank; the trims after were not counted.
	ConcernFuelDiffers ComparisonConcern = 7
	// ConcernMeterDiffers: The air meters as entered are of two kinds.
	ConcernMeterDiffers ComparisonConcern = 8
	// ConcernTemperatureDiffers: The intake air was much warmer or colder; that is taken into account.
	ConcernTemperatureDiffers ComparisonConcern = 9
	// ConcernAirPressureDiffers: The place was much higher or lower; that is taken into account.
	ConcernAirPressureDiffers ComparisonConcern = 10
	// ConcernNoFullLoad: Full load was not driven on both.
	ConcernNoFullLoad ComparisonConcern = 11
	// ConcernLittleInCommon: The two drives hardly are of one vehicle.
	ConcernLittleInCommon ComparisonConcern = 12
	// ConcernTooUncertain: What was measured decides neither for a change nor against one.
	ConcernTooUncertain ComparisonConcern = 13
)

// MagnitudeKind is in which quantity the size of a fault is stated.
type MagnitudeKind int32

// Values of MagnitudeKind.
const (
	// MagnitudeUnspecified: Not stated.
	MagnitudeUnspecified MagnitudeKind = 0
	// MagnitudeMeterErrorAtHighestFlow: Error of the air meter at the highest flow tested, unmetered air included, in percent.
	MagnitudeMeterErrorAtHighestFlow MagnitudeKind = 1
	// MagnitudeMeterErrorAtIdle: Error of the air meter at idle, unmetered air included, in percent.
	MagnitudeMeterErrorAtIdle MagnitudeKind = 2
	// MagnitudeLeakFlow: Air that a hole passes at the largest difference of pressure, in grams per second.
	MagnitudeLeakFlow MagnitudeKind = 3
	// MagnitudePressureLost: Pressure lost before the manifold at rated flow, in kilopascals.
	MagnitudePressureLost MagnitudeKind = 4
	// MagnitudeFillingLost: Cylinder filling lost at rated flow, in percent.
	MagnitudeFillingLost MagnitudeKind = 5
	// MagnitudeFuelMissing: Fuel that is missing (positive) or too much (negative) at every flow, in percent.
	MagnitudeFuelMissing MagnitudeKind = 6
	// MagnitudeFuelMissingAtRatedFlow: Fuel that is missing at rated flow, in percent.
	MagnitudeFuelMissingAtRatedFlow MagnitudeKind = 7
	// MagnitudeVapour: Fuel vapour, as the air that it burns, in grams per second.
	MagnitudeVapour MagnitudeKind = 8
	// MagnitudeTemperatureError: Error of a temperature sensor, in kelvin.
	MagnitudeTemperatureError MagnitudeKind = 9
	// MagnitudePressureError: Error of a pressure sensor, in kilopascals.
	MagnitudePressureError MagnitudeKind = 10
	// MagnitudePressureErrorShare: Error of a pressure sensor, in percent of its reading.
	MagnitudePressureErrorShare MagnitudeKind = 11
	// MagnitudeDisplacementError: Displacement as entered over the engine's, minus 1, in percent.
	MagnitudeDisplacementError MagnitudeKind = 12
	// MagnitudeFalseLean: How much too lean the oxygen sensor reads at idle, in percent.
	MagnitudeFalseLean MagnitudeKind = 13
	// MagnitudeRecirculated: Exhaust gas in the charge at idle, in percent.
	MagnitudeRecirculated MagnitudeKind = 14
	// MagnitudeOneBank: How far the fuel of bank 1 is below the mean of both banks, in percent.
	MagnitudeOneBank MagnitudeKind = 15
)

// FactSource is what a proposed fact rests on.
type FactSource int32

// Values of FactSource.
const (
	// FactFromUnspecified: Not stated.
	FactFromUnspecified FactSource = 0
	// FactFromAbsoluteLoad: Absolute load over metered air: the displacement that the control unit itself computes with.
	FactFromAbsoluteLoad FactSource = 1
	// FactFromFuelType: The control unit names the fuel, parameter 51 of SAE J1979.
	FactFromFuelType FactSource = 2
	// FactFromMixture: How the engine mixes fuel and air.
	FactFromMixture FactSource = 3
	// FactFromBoost: Manifold pressure stands above the barometer.
	FactFromBoost FactSource = 4
	// FactFromBanks: Fuel trims or sensors of that many banks.
	FactFromBanks FactSource = 5
	// FactFromNoMeterSignal: The control units have no signal of an air meter, but one of manifold pressure.
	FactFromNoMeterSignal FactSource = 6
	// FactFromBarometer: The barometer, by the standard atmosphere; weather moves it by some tens of metres.
	FactFromBarometer FactSource = 7
	// FactFromMeterSignal: There is a signal of an air meter; which kind it is of cannot be told, so that the value is 0.
	FactFromMeterSignal FactSource = 8
)
