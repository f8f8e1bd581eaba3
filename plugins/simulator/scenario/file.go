// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
)

// MaxBytes is the largest size of a scenario file.
const MaxBytes = 1 << 20

// File is a scenario file: one vehicle, one day, one fault, one link, one
// drive. It is JSON, and strict: an unknown or repeated key, a wrong type and
// a value out of range are each refused by the name of the field.
//
// Only name and vehicle.displacement_l must be given; what is left out follows
// from what stands there. The tags below state unit, range, default and meaning of every
// field; README.md lists them.
type File struct {
	Name        string  `json:"name" range:"1 60" doc:"id of the scenario; must be given: lower-case letters, digits, hyphens and dots"`
	Title       string  `json:"title" range:"0 120" doc:"what people call it"`
	Description string  `json:"description" range:"0 1000" doc:"what it is for"`
	Seed        uint64  `json:"seed" default:"1" doc:"decides everything random; the same file gives the same drive"`
	Vehicle     Vehicle `json:"vehicle"`
	Day         Day     `json:"day"`
	Facts       *Facts  `json:"facts" derived:"the true ones, the displacement rounded to 0.1 L, without humidity and fuel blend, with purpose and complaint of the day" doc:"what was entered about vehicle and day, whole: the keys of a vehicle file"`
	Fault       Fault   `json:"fault"`
	Link        Link    `json:"link"`
	Driver      Driver  `json:"driver"`
}

// Vehicle is a vehicle as it really is, but for its fault.
type Vehicle struct {
	Name             string    `json:"name" range:"0 120" doc:"maker and type, both invented"`
	DisplacementL    float64   `json:"displacement_l" unit:"L" range:"0.3 8" doc:"swept volume of all cylinders; must be given"`
	Cylinders        int       `json:"cylinders" range:"1 12" derived:"displacement"`
	Banks            int       `json:"banks" range:"1 2" derived:"2 from six cylinders on" doc:"groups of cylinders with a fuel control of their own"`
	ValvesPerCyl     int       `json:"valves_per_cylinder" range:"2 5" default:"4"`
	Aspiration       string    `json:"aspiration" oneof:"natural turbo supercharged" default:"natural"`
	Fuel             string    `json:"fuel" oneof:"gasoline diesel ethanol lpg cng" default:"gasoline"`
	EthanolPercent   float64   `json:"fuel_ethanol_percent" unit:"%" range:"0 100" derived:"5; 70 for the fuel ethanol" doc:"by volume, of what is in the tank"`
	Cycle            string    `json:"combustion_cycle" oneof:"otto atkinson" default:"otto"`
	CompressionRatio float64   `json:"compression_ratio" range:"7 24" derived:"fuel and charging"`
	RatedRPM         float64   `json:"rated_power_rpm" unit:"1/min" range:"2500 9000" derived:"fuel and charging"`
	IdleRPM          float64   `json:"idle_rpm" unit:"1/min" range:"450 1200" default:"750" doc:"warm"`
	Breathing        Breathing `json:"breathing"`
	Intake           Intake    `json:"intake"`
	Charger          Charger   `json:"charger,omitzero" doc:"of an engine that is not naturally aspirated"`
	AirMeter         AirMeter  `json:"air_meter"`
	Sensors          Sensors   `json:"sensors"`
	Control          Control   `json:"control"`
	Body             Body      `json:"body"`
	Signals          []string  `json:"signals" count:"1 60" derived:"what such a vehicle usually has" doc:"what its control unit shows: VSS paths without Vehicle.OBD."`
}

// Breathing is how an engine fills: volumetric efficiency at full load is
// max · (1 − droop · (n/peak − 1)²) with the bumps added.
type Breathing struct {
	Max            float64 `json:"max" range:"0.5 1.2" derived:"valves, fuel and cycle" doc:"volumetric efficiency at its peak, of this engine"`
	PeakRPM        float64 `json:"peak_rpm" unit:"1/min" range:"800 8000" derived:"rated_power_rpm"`
	DroopLow       float64 `json:"droop_low" range:"0 1" default:"0.18" doc:"below the peak"`
	DroopHigh      float64 `json:"droop_high" range:"0 1.5" default:"0.28" doc:"above the peak"`
	Bumps          []Bump  `json:"bumps" count:"0 3" doc:"resonances of the intake"`
	TypeMax        float64 `json:"type_max" range:"0.5 1.2" derived:"max" doc:"max of the type, as its maker measured it"`
	TypePeakRPM    float64 `json:"type_peak_rpm" unit:"1/min" range:"800 8000" derived:"peak_rpm" doc:"peak of the type"`
	Overlap        float64 `json:"overlap" range:"0 0.3" derived:"fuel" doc:"loss by valve overlap, for each unit of exhaust over manifold pressure above 1"`
	Scavenging     float64 `json:"scavenging" range:"0 1" default:"0.27" doc:"loss for each unit of back-pressure over manifold pressure"`
	CamPhasing     float64 `json:"cam_phasing" range:"0 0.3" default:"0" doc:"loss of filling at part load by variable valve timing, at most"`
	LiftControl    bool    `json:"lift_control" default:"false" doc:"load is set by valve lift, not by the throttle"`
	HeatExponent   float64 `json:"heat_exponent" range:"0 1" default:"0.4" doc:"of the rise of volumetric efficiency with charge temperature"`
	PickUp         float64 `json:"heat_pick_up" range:"0 1" default:"0.34" doc:"of the charge in the ports, at 1 g/s a litre"`
	PickUpFalloff  float64 `json:"heat_pick_up_falloff" range:"0 1" default:"0.5" doc:"its exponent over flow"`
	EGRShare       float64 `json:"egr_share" range:"0 0.6" derived:"0.28 for a diesel, else 0" doc:"recirculated share of the cylinder's gas, when commanded fully"`
	FrictionFactor float64 `json:"friction" range:"0.3 3" default:"1" doc:"over that of a usual engine"`
	AccessoryW     float64 `json:"accessory_w" unit:"W" range:"0 5000" default:"550"`
}

// Bump is a resonance: a bell over engine speed.
type Bump struct {
	RPM      float64 `json:"rpm" unit:"1/min" range:"500 9000" doc:"its middle"`
	WidthRPM float64 `json:"width_rpm" unit:"1/min" range:"50 3000"`
	Height   float64 `json:"height" range:"-0.2 0.2" doc:"relative to max"`
}

// Intake is what air and exhaust pass.
type Intake struct {
	RatedFlow       float64 `json:"rated_flow_g_per_s" unit:"g/s" range:"5 2000" derived:"displacement, speed and charging" doc:"flow at rated speed, for which the drops are stated"`
	FilterDropKPa   float64 `json:"filter_drop_kpa" unit:"kPa" range:"0 10" default:"1.3"`
	DuctDropKPa     float64 `json:"duct_drop_kpa" unit:"kPa" range:"0 10" default:"1.2" doc:"meter included"`
	ExhaustDropKPa  float64 `json:"exhaust_drop_kpa" unit:"kPa" range:"0 80" default:"17"`
	ThrottleMM2     float64 `json:"throttle_mm2" unit:"mm²" range:"100 30000" derived:"rated flow" doc:"effective area, open"`
	ManifoldVolumeL float64 `json:"manifold_volume_l" unit:"L" range:"0.2 20" derived:"displacement"`
}

// Charger is a compressor, its wastegate and its cooler.
type Charger struct {
	MaxRatio     float64 `json:"max_ratio" range:"1 3.5" derived:"charging" doc:"boost asked for at full load, over one atmosphere"`
	FullRPM      float64 `json:"full_rpm" unit:"1/min" range:"500 6000" derived:"charging" doc:"engine speed from which it is reached"`
	SpoolSeconds float64 `json:"spool_s" unit:"s" range:"0.05 3" derived:"charging" doc:"time constant of the shaft"`
	Efficiency   float64 `json:"efficiency" range:"0.3 0.9" derived:"charging" doc:"isentropic"`
	Cooler       float64 `json:"cooler" range:"0 0.95" derived:"charging" doc:"effectiveness of the charge-air cooler; 0 for none"`
}

// AirMeter is the technology and the meters, sound.
type AirMeter struct {
	Technology string  `json:"technology" oneof:"none vane hot_wire hot_film karman" default:"hot_wire"`
	Meters     []Meter `json:"meters" count:"0 2" derived:"one typical meter" doc:"none without a technology; two for two banks only"`
}

// Meter is one air meter as built.
type Meter struct {
	Gain      float64 `json:"gain" range:"0.7 1.3" default:"1" doc:"production tolerance"`
	Slope     float64 `json:"slope" range:"-0.1 0.1" default:"0" doc:"production tolerance: exponent over flow, pivot 30 g/s"`
	TauMS     float64 `json:"tau_ms" unit:"ms" range:"1 500" derived:"technology" doc:"time constant"`
	Noise     float64 `json:"noise" range:"0 0.2" default:"0.01" doc:"relative, 1σ, white over 10 ms"`
	Pulsation float64 `json:"pulsation" range:"0 2" default:"0.5" doc:"relative amplitude of the flow at low speed and full load, four cylinders at most"`
	RestFlow  float64 `json:"rest_g_per_s" unit:"g/s" range:"0 1" default:"0.04" doc:"shown at rest"`
}

// Sensors are the other sensors as built.
type Sensors struct {
	IntakeTempLocation string  `json:"intake_air_temperature_location" oneof:"in_meter separate after_cooler" derived:"in_meter where there is a meter"`
	IntakeTempTau      float64 `json:"intake_temperature_tau_s" unit:"s" range:"1 60" default:"8" doc:"in moving air"`
	IntakeTempBias     float64 `json:"intake_temperature_bias_k" unit:"K" range:"-5 5" default:"0"`
	SelfHeat           float64 `json:"intake_temperature_self_heat_k" unit:"K" range:"0 10" default:"1.2" doc:"in still air"`
	SoakHeat           float64 `json:"bonnet_heat_k" unit:"K" range:"0 50" default:"12" doc:"above outside, at idle"`
	MAPOffsetKPa       float64 `json:"manifold_pressure_offset_kpa" unit:"kPa" range:"-3 3" default:"0"`
	MAPGain            float64 `json:"manifold_pressure_gain" range:"-0.05 0.05" default:"0"`
	BaroOffsetKPa      float64 `json:"barometer_offset_kpa" unit:"kPa" range:"-3 3" default:"0"`
	AmbientSun         float64 `json:"ambient_sun_k" unit:"K" range:"0 30" default:"3" doc:"that sun and engine add to the outside sensor at rest"`
	AmbientBias        float64 `json:"ambient_bias_k" unit:"K" range:"-40 40" default:"0" doc:"of an outside sensor that nobody trusts"`
	LambdaBias         float64 `json:"lambda_bias" range:"-0.05 0.05" default:"0"`
	ThermostatC        float64 `json:"thermostat_c" unit:"Celsius" range:"60 110" default:"88"`
}

// Control is the control unit.
type Control struct {
	WideBand             bool      `json:"wide_band" default:"true" doc:"linear oxygen sensor before the catalyst"`
	LearnedTrim          string    `json:"learned_trim" oneof:"additive_and_factor cells" default:"cells" doc:"how learned trims are kept"`
	LearnedLimit         float64   `json:"learned_limit" range:"0.05 0.5" default:"0.25"`
	ShortLimit           float64   `json:"short_limit" range:"0.05 0.5" default:"0.25"`
	LearnSeconds         float64   `json:"learn_s" unit:"s" range:"5 600" default:"45" doc:"time constant of learning"`
	LearnedBefore        bool      `json:"learned_before" default:"true" doc:"false: trims were erased just before"`
	WarmUps              int       `json:"warm_ups" range:"0 255" default:"120" doc:"since codes were cleared"`
	FullLoadLambda       float64   `json:"full_load_lambda" range:"0.75 1" default:"0.88" doc:"1 keeps closed loop"`
	FullLoadTrim         float64   `json:"full_load_trim" range:"0 1" default:"0" doc:"share of the learned trim applied at full load"`
	FullLoadPedal        float64   `json:"full_load_pedal" range:"0.5 1" default:"0.8"`
	LoadIsTorque         bool      `json:"load_is_torque" default:"false" doc:"calculated load is a share of torque, as J1979 of 2017 allows, not of air flow"`
	LoadTableScale       float64   `json:"load_table_scale" range:"-0.2 0.2" default:"0" doc:"error of the stored full-load table"`
	LoadTableTilt        float64   `json:"load_table_tilt" range:"-0.2 0.2" default:"0" doc:"over speed"`
	LoadFromIntake       bool      `json:"load_uses_intake_temperature" default:"false" doc:"where the standard asks for the ambient one"`
	BaroFromMAP          bool      `json:"barometer_from_manifold" default:"false" doc:"no barometer of its own"`
	ModelError           float64   `json:"model_error" range:"-0.3 0.3" default:"0.03" doc:"of the substitute for a meter that is not believed"`
	ShowsFixedSubstitute bool      `json:"shows_fixed_substitute" default:"false" doc:"a replaced meter shows one of three values instead of a model"`
	OpensLoop            bool      `json:"opens_loop_on_substitute" default:"true"`
	ElectronicThrottle   bool      `json:"electronic_throttle" default:"true"`
	Progression          float64   `json:"throttle_progression" range:"0.5 3" default:"1.2" doc:"exponent from pedal to plate"`
	ThrottleClosed       float64   `json:"throttle_closed_percent" unit:"%" range:"0 40" default:"14" doc:"reading"`
	ThrottleOpen         float64   `json:"throttle_open_percent" unit:"%" range:"60 100" default:"88" doc:"reading"`
	PedalClosed          float64   `json:"pedal_closed_percent" unit:"%" range:"0 40" default:"15" doc:"reading"`
	PedalOpen            float64   `json:"pedal_open_percent" unit:"%" range:"60 100" default:"82" doc:"reading"`
	AssumedEthanol       float64   `json:"assumed_ethanol_percent" unit:"%" range:"0 100" default:"5" doc:"blend that the calibration expects"`
	FlexFuel             bool      `json:"flex_fuel" derived:"true for the fuel ethanol" doc:"the blend is measured"`
	PurgeShare           float64   `json:"purge_share" range:"0 0.5" default:"0.05" doc:"flow of the tank purge, fully open, over idle air"`
	PurgeVapour          float64   `json:"purge_vapour" range:"0 5" default:"0.9" doc:"fuel in it; 1 is λ 1"`
	CutRPM               float64   `json:"fuel_cut_rpm" unit:"1/min" range:"0 4000" default:"1450" doc:"overrun above it cuts the fuel; 0 never"`
	InjectorScale        []float64 `json:"injector_scale" count:"1 2" range:"0.7 1.3" derived:"1 for each bank" doc:"delivered over expected, for each bank"`
}

// Body is the vehicle around the engine.
type Body struct {
	MassKg       float64   `json:"mass_kg" unit:"kg" range:"400 8000" derived:"displacement" doc:"with people"`
	DragAreaM2   float64   `json:"drag_area_m2" unit:"m²" range:"0.2 6" default:"0.7" doc:"drag coefficient times frontal area"`
	Rolling      float64   `json:"rolling" range:"0.004 0.05" default:"0.012" doc:"rolling resistance coefficient"`
	WheelM       float64   `json:"wheel_radius_m" unit:"m" range:"0.2 0.6" default:"0.31"`
	Gears        []float64 `json:"gears" count:"4 8" range:"0.3 8" derived:"3.5 to 0.78 in five steps" doc:"ratios, first gear first, falling"`
	Final        float64   `json:"final_drive" range:"1 10" derived:"34 km/h for each 1000/min in top gear"`
	Automatic    bool      `json:"automatic" default:"false"`
	ShiftSeconds float64   `json:"shift_s" unit:"s" range:"0.1 3" default:"0.8"`
	Inertia      float64   `json:"inertia_kg_m2" unit:"kg·m²" range:"0.02 2" derived:"displacement" doc:"of engine and flywheel"`
}

// Day is the weather, the place and how warm the engine is.
type Day struct {
	AltitudeM       float64 `json:"altitude_m" unit:"m" range:"-400 4500" default:"200"`
	PressureKPa     float64 `json:"pressure_kpa" unit:"kPa" range:"50 110" derived:"altitude" doc:"true barometric pressure"`
	TemperatureC    float64 `json:"temperature_c" unit:"Celsius" range:"-30 50" default:"18" doc:"true, outside"`
	HumidityPercent float64 `json:"relative_humidity_percent" unit:"%" range:"0 100" default:"55"`
	ColdSoak        bool    `json:"cold_soak" default:"false" doc:"everything stood until it had the temperature outside"`
	HoursSinceRun   float64 `json:"hours_since_run" unit:"h" range:"0 8760" derived:"10 after a cold soak, else 0.2"`
	CoolantC        float64 `json:"coolant_c" unit:"Celsius" range:"-30 110" derived:"outside after a cold soak, else 87" doc:"at key-on"`
	Purpose         string  `json:"purpose" oneof:"complaint routine after_service" derived:"not entered" doc:"of the test, where facts is left out"`
	Complaint       string  `json:"complaint" range:"0 2000" derived:"not entered" doc:"the driver's own words, where facts is left out"`
	BonnetC         float64 `json:"bonnet_c" unit:"Celsius" range:"-30 90" derived:"outside, 12 K above with a warm engine" doc:"at key-on"`
}

// Fault is what is wrong, and how much.
type Fault struct {
	Condition  string       `json:"condition" default:"CONDITION_NO_FAULT" doc:"a condition of the API"`
	Cause      string       `json:"cause" derived:"CAUSE_NONE without a fault" doc:"a cause of the API"`
	Severity   string       `json:"severity" oneof:"none mild moderate severe" derived:"none without a fault, else moderate"`
	Amount     float64      `json:"amount" range:"-10000 10000" default:"0" doc:"size of the fault, for the truth; set by severity where magnitudes are left out"`
	Unit       string       `json:"unit" range:"0 40" doc:"of amount"`
	Second     *SecondFault `json:"second" derived:"none" doc:"a further fault, for the truth; magnitudes say what it does"`
	WrongFact  string       `json:"wrong_fact" oneof:"fuel aspiration" derived:"none" doc:"what was entered wrongly beside the fault, for the truth; done to facts that are left out"`
	Magnitudes *Magnitudes  `json:"magnitudes" derived:"drawn by severity and seed" doc:"what is wrong in physical terms, whole; what is left out in it is sound"`
}

// Magnitudes are faults in physical terms.
type Magnitudes struct {
	Meters           []MeterMagnitudes `json:"meters" count:"0 2" doc:"of each air meter"`
	DuctLeakMM2      float64           `json:"duct_leak_mm2" unit:"mm²" range:"0 5000" doc:"effective area between meter and throttle or compressor"`
	BoostLeakMM2     float64           `json:"boost_leak_mm2" unit:"mm²" range:"0 5000" doc:"between compressor and throttle"`
	ManifoldLeakMM2  float64           `json:"manifold_leak_mm2" unit:"mm²" range:"0 500" doc:"behind the throttle"`
	PurgeLeakMM2     float64           `json:"purge_leak_mm2" unit:"mm²" range:"0 500" doc:"purge or crankcase valve that stays open"`
	PurgeLeakVapour  float64           `json:"purge_leak_vapour" range:"0 5" doc:"fuel in its gas; 1 is λ 1"`
	FilterDropKPa    float64           `json:"filter_drop_kpa" unit:"kPa" range:"-10 60" doc:"added at rated flow"`
	ExhaustDropKPa   float64           `json:"exhaust_drop_kpa" unit:"kPa" range:"0 400" doc:"added at rated flow"`
	FuelPressure     float64           `json:"fuel_pressure" range:"0.1 4" default:"1" doc:"over nominal"`
	FuelLimit        float64           `json:"fuel_limit_g_per_s" unit:"g/s" range:"0 200" doc:"most that the pump delivers; 0 for no limit"`
	FuelVapour       float64           `json:"fuel_vapour_g_per_s" unit:"g/s" range:"0 5" doc:"fuel that nobody meters"`
	InjectorBank     []float64         `json:"injector_bank" count:"0 2" range:"0.3 2" doc:"delivery of each bank, over sound"`
	IntakeTempBias   float64           `json:"intake_temperature_bias_k" unit:"K" range:"-80 80"`
	IntakeTemp       string            `json:"intake_temperature" oneof:"sound stuck open short intermittent" default:"sound"`
	IntakeTempStuckC float64           `json:"intake_temperature_stuck_c" unit:"Celsius" range:"-40 150" default:"20"`
	MAPBiasKPa       float64           `json:"manifold_pressure_bias_kpa" unit:"kPa" range:"-50 50"`
	MAPGain          float64           `json:"manifold_pressure_gain" range:"-0.5 0.5"`
	MAP              string            `json:"manifold_pressure" oneof:"sound stuck open short" default:"sound"`
	MAPStuckKPa      float64           `json:"manifold_pressure_stuck_kpa" unit:"kPa" range:"0 255" default:"60"`
	BaroBiasKPa      float64           `json:"barometer_bias_kpa" unit:"kPa" range:"-50 50"`
	Baro             string            `json:"barometer" oneof:"sound stuck open short" default:"sound"`
	BaroStuckKPa     float64           `json:"barometer_stuck_kpa" unit:"kPa" range:"0 255" default:"100"`
	PlateLimit       float64           `json:"plate_limit" range:"0.05 1" default:"1" doc:"largest opening of the throttle"`
	ExhaustLeak      float64           `json:"exhaust_leak" range:"0 1" doc:"false air at the oxygen sensor, relative, at idle"`
	OxygenBias       float64           `json:"oxygen_bias" range:"-0.3 0.3" doc:"lean bias of the oxygen sensor"`
	EGRLeakMM2       float64           `json:"egr_leak_mm2" unit:"mm²" range:"0 200"`
	ValveTiming      float64           `json:"valve_timing" range:"0 0.7" doc:"filling lost at low speed"`
}

// MeterMagnitudes is what is wrong with one meter.
type MeterMagnitudes struct {
	DirtLoss   float64 `json:"dirt_loss" unit:"√(g/s)" range:"-0.5 1" doc:"extra loss of a dirty element at low flow"`
	DirtFlow   float64 `json:"dirt_flow_g_per_s" unit:"g/s" range:"0 1e9" doc:"flow at which dirt and boundary layer resist equally; 0 for a clean element"`
	Gain       float64 `json:"gain" range:"0.1 3" default:"1"`
	Slope      float64 `json:"slope" range:"-0.5 0.5" doc:"exponent over flow, pivot 30 g/s"`
	Offset     float64 `json:"offset_g_per_s" unit:"g/s" range:"-20 20"`
	LagMS      float64 `json:"lag_ms" unit:"ms" range:"0 5000" doc:"added to the time constant"`
	Sticking   float64 `json:"sticking" range:"0 0.9" doc:"relative change of flow that a vane needs before it moves"`
	WornAt     float64 `json:"worn_at_g_per_s" unit:"g/s" range:"0 1000" doc:"flow at whose angle a vane's track is worn; 0 for a sound one"`
	LostPulses float64 `json:"lost_pulses" range:"0 0.9" doc:"largest share of its pulses that a vortex counter misses"`
	Signal     string  `json:"signal" oneof:"sound stuck open short intermittent replaced" default:"sound"`
	StuckAt    float64 `json:"stuck_at_g_per_s" unit:"g/s" range:"0 655" default:"0"`
}

// Link is the interface.
type Link struct {
	Class            string  `json:"class" oneof:"can_multi_300 can_100 can_50 serial_20 kline_8 kline_6 row_logger" default:"can_50" doc:"kind of link; the rest of this object changes it"`
	ValuesPerS       float64 `json:"values_per_s" unit:"1/s" range:"0.5 1000" derived:"class"`
	ValuesPerRequest int     `json:"values_per_request" range:"1 6" derived:"class"`
	Jitter           float64 `json:"jitter" range:"0 1" derived:"class" doc:"relative scatter of the time of a request"`
	Lost             float64 `json:"lost" range:"0 0.5" derived:"class" doc:"share of requests without an answer"`
	RefreshScale     float64 `json:"refresh_scale" range:"1 50" default:"1" doc:"how many times slower than 10 to 20 ms the control unit refreshes what is quick"`
}

// Driver is who drives, and what.
type Driver struct {
	Style    string    `json:"style" default:"good" doc:"good, or how the script is driven badly: aborted_pull, part_throttle, shift_in_pull, cold_engine, too_short, idle_only, no_full_load, town, town_aborted_pull"`
	Restless float64   `json:"restless" range:"0 1" default:"0.2" doc:"how much the foot wanders"`
	Script   []Segment `json:"script" count:"1 100" derived:"a road test in that style" doc:"what is driven, one part after the other"`
}

// Segment is a part of the drive. What a kind does not need it ignores.
type Segment struct {
	Do       string  `json:"do" oneof:"key_on start idle raised_idle cruise high_load pull overrun snap stop" doc:"kind of the part; must be given"`
	Seconds  float64 `json:"seconds,omitempty" unit:"s" range:"0 900" doc:"key_on, idle, raised_idle, cruise, high_load: how long, once it is reached"`
	SpeedKmh float64 `json:"speed_kmh,omitempty" unit:"km/h" range:"0 200" doc:"cruise, high_load"`
	RPM      float64 `json:"rpm,omitempty" unit:"1/min" range:"0 8000" doc:"raised_idle; pull: where it begins; overrun: where it ends; high_load: instead of speed_kmh"`
	UntilRPM float64 `json:"until_rpm,omitempty" unit:"1/min" range:"0 9000" doc:"pull: where it ends"`
	Gear     int     `json:"gear,omitempty" range:"0 8" doc:"pull, high_load; cruise: 0 for any"`
	Pedal    float64 `json:"pedal,omitempty" range:"0 1" doc:"pull, snap: how far down"`
	Fill     float64 `json:"fill,omitempty" range:"0 1.5" doc:"high_load: manifold over barometric pressure"`
	AbortS   float64 `json:"abort_s,omitempty" unit:"s" range:"0 20" doc:"pull: given up after; 0 never"`
	ShiftRPM float64 `json:"shift_at_rpm,omitempty" unit:"1/min" range:"0 9000" doc:"pull: changes gear at; 0 never"`
}

// Problem is one thing that is wrong with a scenario file.
type Problem struct {
	// Field is the path of the field, such as vehicle.displacement_l or driver.script[3].gear;
	// empty for the file as a whole.
	Field string
	// What says what is wrong and what was expected.
	What string
}

// FileError lists what is wrong with a scenario file.
type FileError struct {
	// Problems has one entry for each thing that is wrong, and is not empty.
	Problems []Problem
}

// Error lists all problems.
func (e *FileError) Error() string {
	parts := make([]string, len(e.Problems))
	for i, p := range e.Problems {
		parts[i] = strings.TrimSpace(p.Field + " " + p.What)
	}
	return strings.Join(parts, "; ")
}

// problems gathers what is wrong, up to a screenful.
type problems struct{ list []Problem }

const mostProblems = 20

func (p *problems) addf(field, format string, a ...any) {
	if len(p.list) < mostProblems {
		p.list = append(p.list, Problem{field, fmt.Sprintf(format, a...)})
	}
}

func (p *problems) orNil() error {
	if len(p.list) == 0 {
		return nil
	}
	return &FileError{p.list}
}

// Read reads a scenario file and fills in what it leaves out. An error is a
// *FileError. What Read gives can be built.
func Read(data []byte) (File, error) {
	var p problems
	tree, err := parse(data)
	if err != nil {
		p.addf("", "%v", err)
		return File{}, p.orNil()
	}
	f := File{}
	applyDefaults(&f)
	decode(tree, &f, &p)
	if err := p.orNil(); err != nil {
		return File{}, err
	}
	f.derive()
	decode(tree, &f, &p) // what was given goes before what was derived, a zero too
	f.Vehicle.deriveMeters()
	f.check(&p)
	if err := p.orNil(); err != nil {
		return File{}, err
	}
	if f.Fault.Magnitudes == nil || f.Facts == nil {
		c := f.build()
		f.Fault, f.Facts = c.describeFault(), &c.Facts
	}
	listsNotNil(reflect.ValueOf(&f).Elem())
	return f, nil
}

// Write writes a scenario file that Read or Describe gave, with every field. Read gives the same file back.
func (f *File) Write() ([]byte, error) {
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(f); err != nil {
		return nil, fmt.Errorf("write the scenario %s: %w", f.Name, err)
	}
	return out.Bytes(), nil
}

// listsNotNil writes an empty list as [], which Read takes.
func listsNotNil(v reflect.Value) {
	for i := range v.NumField() {
		switch x := v.Field(i); x.Kind() {
		case reflect.Struct:
			listsNotNil(x)
		case reflect.Pointer:
			if !x.IsNil() && x.Elem().Kind() == reflect.Struct {
				listsNotNil(x.Elem())
			}
		case reflect.Slice:
			if x.IsNil() {
				x.Set(reflect.MakeSlice(x.Type(), 0, 0))
			}
		}
	}
}
