// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"encoding/json"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/scenario"
)

// TestSeeds names the seeds that are looked at only to report.
const TestSeeds = "test"

// Kind is what a case is in the plan for.
type Kind string

// Kinds of cases.
const (
	Sound        Kind = "sound"
	SingleFault  Kind = "single_fault"
	DoubleFault  Kind = "double_fault"
	WrongFact    Kind = "wrong_fact"
	Insufficient Kind = "insufficient_drive"
)

// Kinds lists them in the order of the tables.
var Kinds = []Kind{Sound, SingleFault, DoubleFault, WrongFact, Insufficient}

// pattern is the mix: of 25 cases 11 have one fault, 7 none, 4 a drive that is to be
// insufficient, 2 two faults and 1 a wrong fact beside. Interleaved, so that every
// beginning of the plan is mixed too.
const pattern = "FSIFSFDFSIFSFWFSIFSFDFSIF"

var patternKinds = map[byte]Kind{'S': Sound, 'F': SingleFault, 'D': DoubleFault, 'W': WrongFact, 'I': Insufficient}

// Subset is which signals were recorded of those that the vehicle offers.
type Subset struct {
	Name    string
	weight  float64
	without []string
}

func subset(name string, weight float64, without ...engine.Signal) Subset {
	s := Subset{Name: name, weight: weight}
	for _, x := range without {
		s.without = append(s.without, x.Define().Path)
	}
	return s
}

// Subsets are the choices of a logger's user.
var Subsets = []Subset{
	subset("as_offered", 0.52),
	subset("no_pressure", 0.12, engine.ManifoldPressure, engine.MAPHighRes, engine.BoostActual, engine.BoostCommanded),
	subset("no_trims", 0.10, engine.ShortTermFuelTrim1, engine.LongTermFuelTrim1, engine.ShortTermFuelTrim2, engine.LongTermFuelTrim2),
	subset("no_pedal_or_plate", 0.07, engine.ThrottlePosition, engine.RelativeThrottle, engine.ThrottleActuator, engine.PedalD),
	subset("no_mixture", 0.07, engine.FuelStatus, engine.Lambda1, engine.Lambda2, engine.CommandedLambda, engine.OxygenVoltage1, engine.OxygenVoltage2),
	subset("no_reference", 0.06, engine.BarometricPressure, engine.AmbientAirTemperature),
	sparse(),
}

// sparse is the list of a user who wants the air meter as often as can be.
func sparse() Subset {
	keep := []engine.Signal{
		engine.EngineSpeed, engine.MAF, engine.MAFA, engine.MAFB, engine.ShortTermFuelTrim1, engine.LongTermFuelTrim1,
		engine.CoolantTemperature, engine.IntakeTemp, engine.VehicleSpeed, engine.EngineLoad,
	}
	s := Subset{Name: "sparse", weight: 0.06}
	for x := range engine.NumSignals {
		if !slices.Contains(keep, x) {
			s.without = append(s.without, x.Define().Path)
		}
	}
	return s
}

// Item is one case of a plan before it is drawn.
type Item struct {
	ID      string
	Index   int
	Kind    Kind
	Subset  string
	Options scenario.Options
	Seed    uint64
}

// Plan is an endless list of cases. Each follows from the name of the seeds and its
// number alone, so that a longer run begins with the cases of a shorter one.
type Plan struct {
	name string
	seed uint64
	ofOf [256]int // how many of the kind each pattern holds
}

// maxCases bounds the number in an id.
const maxCases = 10_000_000

var seedsName = regexp.MustCompile(`^[a-z][a-z0-9]{0,15}$`)

// NewPlan makes the plan of the named seeds: dev, test, or any other word of small letters.
func NewPlan(seeds string) (*Plan, error) {
	if !seedsName.MatchString(seeds) {
		return nil, fmt.Errorf("seeds are named %q; expected up to 16 small letters and digits, such as dev", seeds)
	}
	h := fnv.New64a()
	h.Write([]byte("airassay truth " + seeds))
	p := &Plan{name: seeds, seed: h.Sum64()}
	for i := range pattern {
		p.ofOf[pattern[i]]++
	}
	return p, nil
}

// ParseID splits an id such as dev-00042 into its plan and number.
func ParseID(id string) (*Plan, int, error) {
	seeds, digits, ok := strings.Cut(id, "-")
	index, err := strconv.Atoi(digits)
	if !ok || err != nil || index < 0 || index >= maxCases {
		return nil, 0, fmt.Errorf("case %q is no id; expected seeds and number, such as dev-00042", id)
	}
	p, err := NewPlan(seeds)
	return p, index, err
}

// place is the kind of case i, and how many of that kind come before it.
func (p *Plan) place(i int) (Kind, int) {
	at := i % len(pattern)
	return patternKinds[pattern[at]], i/len(pattern)*p.ofOf[pattern[at]] + strings.Count(pattern[:at], pattern[at:at+1])
}

// dice draws what the plan leaves to chance.
type dice struct{ *rand.Rand }

func (d dice) chance(p float64) bool { return d.Float64() < p }

func pick[T any](d dice, list []T) T { return list[d.IntN(len(list))] }

var severities = []scenario.Severity{scenario.Mild, scenario.Moderate, scenario.Severe}

const noFault = "CONDITION_NO_FAULT"

// faulty are the conditions that are a fault, those of the meter and what is mistaken for
// it more often than the rest.
var faulty = slices.Concat(scenario.Conditions[1:], []string{
	"CONDITION_METER_READS_LOW", "CONDITION_METER_READS_LOW", "CONDITION_METER_READS_HIGH", "CONDITION_LEAK_AFTER_METER",
})

// Cells is the number of combinations of fault, severity and link that faults are spread over evenly.
func Cells() int { return len(faulty) * len(severities) * len(link.Classes) }

// cell deals out the combinations so that neighbours differ in everything.
func cell(o *scenario.Options, k int) {
	const stride = 101 // shares no factor with the number of cells
	k = k * stride % Cells()
	o.Condition = faulty[k%len(faulty)]
	k /= len(faulty)
	o.Severity = severities[k%len(severities)]
	o.Link = link.Classes[k/len(severities)].Name
}

// poorStyles are badly driven and often still sufficient.
var poorStyles = []string{scenario.StyleAborted, scenario.StylePartThrottle, scenario.StyleShift, scenario.StyleNoFullLoad}

// spoilt are the ways in which a drive is to be insufficient; fewSamples is driven well and recorded badly.
var spoilt = []string{scenario.StyleCold, scenario.StyleShort, scenario.StyleIdle, scenario.StyleTown, scenario.StyleTownAborted, fewSamples}

const fewSamples = "few_samples"

// Item is the i-th case.
func (p *Plan) Item(i int) Item {
	kind, k := p.place(i)
	it := Item{ID: fmt.Sprintf("%s-%05d", p.name, i), Index: i, Kind: kind, Seed: scenario.CaseSeed(p.seed, i)}
	d := dice{rand.New(rand.NewPCG(it.Seed, 0x6a09e667f3bcc909))}
	o := scenario.Options{Style: scenario.StyleGood, Link: link.Classes[k%len(link.Classes)].Name}
	if kind != Insufficient && d.chance(0.22) {
		o.Style = pick(d, poorStyles)
	}
	switch kind {
	case Sound:
		o.HealthyShare = 1
	case SingleFault:
		cell(&o, k)
	case DoubleFault:
		o.Condition, o.DoubleShare = faulty[k%len(faulty)], 1
	case WrongFact:
		o.WrongFact = []string{scenario.WrongFuel, scenario.WrongAspiration}[k%2]
		o.HealthyShare = 1
		if d.chance(0.3) {
			o.HealthyShare, o.Condition = 0, pick(d, []string{"CONDITION_METER_READS_LOW", "CONDITION_METER_READS_HIGH", "CONDITION_LEAK_AFTER_METER"})
		}
	case Insufficient:
		spoil(&o, d, spoilt[k%len(spoilt)])
	}
	s := drawSubset(d, o.Condition)
	it.Subset, o.Without = s.Name, s.without
	it.Options = o
	return it
}

// spoil makes a drive that shows too little, of a sound vehicle or of one with any fault.
func spoil(o *scenario.Options, d dice, how string) {
	o.Style = how
	if how == fewSamples {
		o.Style, o.Lost = scenario.StyleGood, 0.993+0.005*d.Float64()
	}
	o.HealthyShare = 1
	if d.chance(0.6) {
		o.HealthyShare, o.Condition, o.Severity = 0, pick(d, faulty), pick(d, severities)
	}
}

func drawSubset(d dice, condition string) Subset {
	x := d.Float64()
	for _, s := range Subsets {
		if x -= s.weight; x < 0 && s.shows(condition) {
			return s
		}
	}
	return Subsets[0]
}

// shows is false where the faulty sensor itself would not be recorded.
func (s Subset) shows(condition string) bool {
	hidden := map[string]engine.Signal{
		"CONDITION_MANIFOLD_PRESSURE_FAULT": engine.ManifoldPressure, "CONDITION_BAROMETER_FAULT": engine.BarometricPressure,
	}
	x, ok := hidden[condition]
	return !ok || !slices.Contains(s.without, x.Define().Path)
}

// Draw draws the case.
func (it *Item) Draw() scenario.Case {
	c := scenario.Draw(it.Options, it.Seed)
	if c.Spec.Meter == engine.NoMeter && len(it.Options.Without) > 0 {
		// Without its pressure such a vehicle tells nothing at all.
		it.Subset, it.Options.Without = Subsets[0].Name, nil
		c = scenario.Draw(it.Options, it.Seed)
	}
	c.Facts.Purpose = purpose(it.Seed, &c)
	return c
}

// purpose replaces the simulator's, which tells too much: there a routine check never
// finds a fault. Here it does a fifth as often as a complaint finds one.
func purpose(seed uint64, c *scenario.Case) string {
	d := dice{rand.New(rand.NewPCG(seed, 0xbb67ae8584caa73b))}
	routine := 0.08
	if c.Condition == noFault {
		routine = 0.4
	}
	switch {
	case !c.Spec.Control.LearnedBefore && d.chance(0.7):
		return "after_service"
	case d.chance(routine):
		return "routine"
	case d.chance(0.6):
		return "complaint"
	}
	return ""
}

// fingerprint tells one draw from another: what a kept drive was made of.
func fingerprint(it *Item, c *scenario.Case) (uint64, error) {
	data, err := json.Marshal([]any{it, c})
	if err != nil {
		return 0, fmt.Errorf("describe case %s: %w", it.ID, err)
	}
	h := fnv.New64a()
	h.Write(data)
	return h.Sum64(), nil
}
