// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package realism sets recordings of real vehicles beside simulated ones: how
// air, pressure, load and trims are distributed at idle, at steady speed and at
// full load, and how often the logger sampled. It shows where the simulator
// differs; it judges nothing.
package realism

import (
	"context"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording"
)

// Distribution is a list of values in no order.
type Distribution []float64

// Quantile is the value below which a share of 0…1 lies; NaN without values.
func (d Distribution) Quantile(share float64) float64 {
	if len(d) == 0 {
		return math.NaN()
	}
	sorted := slices.Sorted(slices.Values(d))
	return sorted[int(math.Round(share*float64(len(sorted)-1)))]
}

// Quantities are what is compared, in the order of the table.
var Quantities = []string{
	idleAir, idleMAP, idleLoad, idleTrim, idleSpeed, cruiseAir, cruiseMAP, cruiseLoad, cruiseTrim, fullFilling, fullEfficiency, fullAir, fullMAP, fullLoad, interval,
}

// The quantities.
const (
	idleAir     = "idle: air, g/s for each litre"
	idleMAP     = "idle: manifold pressure, kPa"
	idleLoad    = "idle: calculated load, %"
	idleTrim    = "idle: total trim, %"
	idleSpeed   = "idle: engine speed, 1/min"
	cruiseAir   = "steady speed: air, g/s for each litre and 1000/min"
	cruiseMAP   = "steady speed: manifold pressure, kPa"
	cruiseLoad  = "steady speed: calculated load, %"
	cruiseTrim  = "steady speed: total trim, %"
	fullFilling = "full load: absolute load from air and speed, %"
	// fullEfficiency takes the manifold's pressure and the intake's temperature for those of the charge.
	fullEfficiency = "full load: volumetric efficiency, %"
	fullAir        = "full load: air, g/s for each litre"
	fullMAP        = "full load: manifold over outside pressure, %"
	fullLoad       = "full load: calculated load, %"
	interval       = "time between two samples of air or pressure, s"
)

// Drive is what one or several recordings show.
type Drive map[string]Distribution

func (d Drive) add(quantity string, v float64) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		d[quantity] = append(d[quantity], v)
	}
}

// sample is one value of one signal.
type sample struct {
	at    float64 // s
	path  string  // without Vehicle.OBD.
	value float64
}

// shown is a value that is still of use.
type shown struct{ at, value float64 }

// reader walks through a drive.
type reader struct {
	litres float64
	anchor string
	oldest float64 // s, of what may be put together
	last   map[string]shown
	speeds []shown // of the vehicle, over some seconds
	before float64 // s, of the last anchor
	drive  Drive
}

// summarise gathers what samples in the order of time show of an engine of a size in litres, 0 for unknown.
func summarise(samples []sample, litres float64) Drive {
	r := reader{litres: litres, last: map[string]shown{}, drive: Drive{}, before: -1}
	for _, path := range []string{"EngineSpeed", "MAP", "MAF"} {
		if slices.ContainsFunc(samples, func(s sample) bool { return s.path == path }) {
			r.anchor = path
		}
	}
	r.oldest = 2.5 * gap(samples, r.anchor)
	for i := 0; i < len(samples); {
		at, anchored := samples[i].at, false
		for ; i < len(samples) && samples[i].at == at; i++ {
			r.last[samples[i].path] = shown{at, samples[i].value}
			anchored = anchored || samples[i].path == r.anchor
		}
		if anchored {
			r.point(at)
		}
	}
	return r.drive
}

// gap is the median time between samples of a signal, at least 0.4 s.
func gap(samples []sample, path string) float64 {
	var gaps Distribution
	before := math.Inf(-1)
	for _, s := range samples {
		if s.path != path {
			continue
		}
		if before >= 0 && s.at > before {
			gaps = append(gaps, s.at-before)
		}
		before = s.at
	}
	if len(gaps) == 0 {
		return 0.4
	}
	return math.Max(0.4, gaps.Quantile(0.5))
}

// slow signals are of use for a minute.
var slow = []string{"CoolantTemperature", "BarometricPressure", "LongTermFuelTrim1", "IntakeTemp"}

func (r *reader) get(path string) float64 {
	v, ok := r.last[path]
	age := r.last[r.anchor].at - v.at
	if !ok || age > r.oldest && !(slices.Contains(slow, path) && age < 60) {
		return math.NaN()
	}
	return v.value
}

func (r *reader) point(at float64) {
	if r.before >= 0 && at > r.before {
		r.drive.add(interval, at-r.before)
	}
	r.before = at
	rpm, speed, coolant := r.get("EngineSpeed"), r.get("Speed"), r.get("CoolantTemperature")
	if coolant < 70 || math.IsNaN(rpm) || rpm < 400 {
		return
	}
	steady := r.steady(at, speed)
	air, pressure, load := r.get("MAF"), r.get("MAP"), r.get("EngineLoad")
	throttle := r.get("ThrottlePosition")
	trim := 100 * ((1+r.get("ShortTermFuelTrim1")/100)*(1+r.get("LongTermFuelTrim1")/100) - 1)
	outside := r.get("BarometricPressure")
	if math.IsNaN(outside) {
		outside = 100
	}
	litres := r.litres
	if litres == 0 {
		litres = math.NaN()
	}
	switch open := throttle > 70 && load > 80 || throttle > 55 && pressure > outside-6; {
	case rpm < 1100 && speed == 0:
		r.drive.add(idleAir, air/litres)
		r.drive.add(idleMAP, pressure)
		r.drive.add(idleLoad, load)
		r.drive.add(idleTrim, trim)
		r.drive.add(idleSpeed, rpm)
	case open && rpm > 2000:
		// 1.184 g/L is dry air at 25 °C and 101.3 kPa, SAE J1979.
		r.drive.add(fullFilling, 100*air*120/(1.184*litres*rpm))
		// 287.05 J/(kg·K) is the gas constant of dry air, ISO 2533.
		r.drive.add(fullEfficiency, 100*air*1e-3*120*287.05*(r.get("IntakeTemp")+273.15)/(litres*1e-3*rpm*pressure*1e3))
		r.drive.add(fullAir, air/litres)
		r.drive.add(fullMAP, 100*pressure/outside)
		r.drive.add(fullLoad, load)
	case steady && speed >= 40 && !(load > 75) && !(load < 10):
		r.drive.add(cruiseAir, air/litres/rpm*1000)
		r.drive.add(cruiseMAP, pressure)
		r.drive.add(cruiseLoad, load)
		r.drive.add(cruiseTrim, trim)
	}
}

// steady is true after four seconds within two km/h.
func (r *reader) steady(at, speed float64) bool {
	const seconds, band = 4.0, 2.0
	r.speeds = append(r.speeds, shown{at, speed})
	for at-r.speeds[0].at > seconds && len(r.speeds) > 1 && at-r.speeds[1].at >= seconds {
		r.speeds = r.speeds[1:]
	}
	if at-r.speeds[0].at < seconds {
		return false
	}
	for _, s := range r.speeds {
		if !(math.Abs(s.value-speed) <= band) {
			return false
		}
	}
	return true
}

// Read summarises a recording in our own format, or in one whose columns tell what they are, and says whether
// it has an air meter.
func Read(path string, litres float64) (d Drive, metered bool, err error) {
	r, err := open(path)
	if err != nil {
		return nil, false, err
	}
	samples := make([]sample, len(r.Samples))
	for i, s := range r.Samples {
		samples[i] = sample{float64(s.TimeUS) / 1e6, short(r.Signals[s.Signal].Path), s.Value}
		metered = metered || samples[i].path == "MAF"
	}
	d = summarise(samples, litres)
	if r.Clock == recording.ClockRowOrder {
		delete(d, interval)
	}
	return d, metered, nil
}

func short(path string) string {
	return strings.TrimPrefix(path, j1979.Prefix)
}

func open(path string) (*recording.Recording, error) {
	ctx := context.Background()
	f, err := recording.OpenFile(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }() // It was only read: nothing can be lost.
	own, err := recording.IsOurs(f)
	if err != nil {
		return nil, err
	}
	var o recording.Options
	if !own {
		p, err := recording.Propose(ctx, f, filepath.Base(path))
		if err != nil {
			return nil, err
		}
		o.Mapping = p.Mapping // what it leaves open is left out
		if _, err := f.Seek(0, io.SeekStart); err != nil {
			return nil, fmt.Errorf("read %s again: %w", filepath.Base(path), err)
		}
	}
	return recording.Read(ctx, f, filepath.Base(path), o)
}

// Sound summarises drives of sound, naturally aspirated petrol vehicles, with or
// without an air meter, drawn as the simulator draws them.
func Sound(count int, seed uint64, metered bool) Drive {
	all := Drive{}
	for i := 0; count > 0; i++ {
		o := scenario.Options{Condition: "CONDITION_NO_FAULT", Style: scenario.StyleGood, Link: "can_50", Aspiration: "natural"}
		c := scenario.Draw(o, scenario.CaseSeed(seed, i))
		s := &c.Spec
		if s.Fuel != engine.Gasoline || s.LiftControl || s.Atkinson || metered != (s.Meter != engine.NoMeter) {
			continue
		}
		count--
		recorded := c.Run().Samples
		samples := make([]sample, len(recorded))
		for k, x := range recorded {
			samples[k] = sample{float64(x.TimeUS) / 1e6, x.Signal.Define().Path, x.Value}
		}
		for quantity, values := range summarise(samples, s.Displacement*1000) {
			all[quantity] = append(all[quantity], values...)
		}
	}
	return all
}

// vehicles is how many sound vehicles a recording is compared with.
const vehicles = 24

// Compare writes a table that sets the recording at path beside sound simulated
// vehicles. Without the displacement in litres, 0, what needs it is left out.
func Compare(to io.Writer, path string, litres float64) error {
	if !(litres >= 0 && litres <= 12) {
		return fmt.Errorf("-litres is %v; expected more than 0 and at most 12, or 0 for unknown", litres)
	}
	recorded, metered, err := Read(path, litres)
	if err != nil {
		return err
	}
	return Table(to, filepath.Base(path), recorded, Sound(vehicles, 1, metered))
}

// Table writes the distributions of a real drive and of simulated ones side by side.
func Table(to io.Writer, name string, recorded, simulated Drive) error {
	format := "%-50s  %-26s  %s\n"
	if _, err := fmt.Fprintf(to, format, "10 %, median and 90 % (number of values)", name, "simulated"); err != nil {
		return err
	}
	for _, q := range Quantities {
		if len(recorded[q]) == 0 && len(simulated[q]) == 0 {
			continue
		}
		if _, err := fmt.Fprintf(to, format, q, row(recorded[q]), row(simulated[q])); err != nil {
			return err
		}
	}
	return nil
}

func row(d Distribution) string {
	if len(d) == 0 {
		return "–"
	}
	return fmt.Sprintf("%.3g  %.3g  %.3g (%d)", d.Quantile(0.1), d.Quantile(0.5), d.Quantile(0.9), len(d))
}
