// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
)

// Report is everything that a run says.
type Report struct {
	Seeds string `json:"seeds"`
	Cases int    `json:"cases"`
	// Engine is the version of the assay's engine.
	Engine  string   `json:"engine"`
	Seconds float64  `json:"seconds"`
	Targets []Target `json:"targets"`
	Assay   Figures  `json:"assay"`
	Load    Figures  `json:"naive_load"`
	Trim    Figures  `json:"naive_trim"`
	// Field is the assay's, with each condition weighted to its share of the field.
	Field Field `json:"as_in_the_field"`
	// Equal compares judges at the same detection and at the same false alarm.
	Equal []Operating `json:"at_equal_detection_or_alarm"`
	// Groups splits the cases by one property each.
	Groups []Grouping `json:"groups"`
	// Severities are single faults in sufficient cases.
	Severities []Missed `json:"by_severity"`
	Conditions []Missed `json:"by_condition_and_severity"`
	// Confusion has a row for each true and a column for each leading condition.
	Confusion [][]int    `json:"confusion"`
	Special   Special    `json:"special"`
	Coverage  Rate       `json:"meter_error_interval_holds_truth"`
	Robust    Robustness `json:"with_less_recorded"`
}

// Field holds the scores of probabilities weighted as in the field.
type Field struct {
	Brier       Number      `json:"brier"`
	LogLoss     Number      `json:"log_loss"`
	Calibration Calibration `json:"calibration"`
}

// Grouping splits the cases by one property.
type Grouping struct {
	By    string  `json:"by"`
	Parts []Group `json:"parts"`
}

// Group is one value of the property.
type Group struct {
	Name  string  `json:"name"`
	Assay Figures `json:"assay"`
	Load  Figures `json:"naive_load"`
	Trim  Figures `json:"naive_trim"`
}

// Missed tells how faults of one kind were answered.
type Missed struct {
	Condition string `json:"condition,omitempty"`
	Severity  string `json:"severity"`
	Right     Rate   `json:"right"`
	FirmRight Rate   `json:"firm_right"`
	// NoFault is the miss rate; FirmNoFault the part of it that was firm.
	NoFault     Rate `json:"called_no_fault"`
	FirmNoFault Rate `json:"firmly_called_no_fault"`
	Other       Rate `json:"called_another_fault"`
}

// Special are the cases that the confusion matrix leaves out or cannot show.
type Special struct {
	// Of the sufficient double faults.
	DoubleEither    Rate `json:"double_one_of_both"`
	DoubleFirmWrong Rate `json:"double_firm_wrong"`
	DoubleCondemned Rate `json:"double_true_meter_condemned"`
	DoubleReplace   Rate `json:"double_clean_or_replace"`
	// Of the cases with a wrong fuel or aspiration.
	FactsRight     Rate `json:"wrong_fact_right"`
	FactsFirmWrong Rate `json:"wrong_fact_firm_wrong"`
	FactsCondemned Rate `json:"wrong_fact_true_meter_condemned"`
	// Of the sufficient cases in which the duct is open between meter and throttle.
	DuctRight   Rate `json:"duct_right"`
	DuctTouched Rate `json:"duct_clean_or_replace_before_the_duct"`
}

// Target is one of the figures that were set beforehand.
type Target struct {
	Name   string `json:"name"`
	Wanted string `json:"wanted"`
	Assay  string `json:"assay"`
	Load   string `json:"naive_load"`
	Trim   string `json:"naive_trim"`
	Met    bool   `json:"met"`
	Better bool   `json:"better_than_naive"`
}

// groupings are the properties that cases are split by.
var groupings = []struct {
	by string
	of func(*Outcome) string
}{
	{"link", func(o *Outcome) string { return o.Link }},
	{"aspiration", func(o *Outcome) string { return o.Aspiration }},
	{"air meter", func(o *Outcome) string { return o.AirMeter }},
	{"signals", func(o *Outcome) string { return o.signals() }},
	{"subset", func(o *Outcome) string { return o.Subset }},
	{"fuel", func(o *Outcome) string { return o.Fuel }},
	{"height", func(o *Outcome) string {
		switch {
		case o.Height < 500:
			return "below 500 m"
		case o.Height < 1200:
			return "500 to 1200 m"
		}
		return "above 1200 m"
	}},
	{"style", func(o *Outcome) string { return o.Style }},
	{"kind", func(o *Outcome) string { return string(o.Kind) }},
}

func (o *Outcome) signals() string {
	switch {
	case o.Label.Pressure && o.Label.Trims:
		return "air and pressure, trims"
	case o.Label.Pressure:
		return "air and pressure"
	case o.Label.Trims:
		return "trims"
	}
	return "neither"
}

// NewReport scores the outcomes of a run.
func NewReport(seeds, engine string, outcomes []Outcome) *Report {
	all := make([]*Outcome, len(outcomes))
	for i := range outcomes {
		all[i] = &outcomes[i]
	}
	r := &Report{
		Seeds: seeds, Engine: engine, Cases: len(all),
		Assay: FiguresOf(all, ByAssay), Load: FiguresOf(all, ByLoad), Trim: FiguresOf(all, ByTrim),
		Equal: equalOperating(all), Severities: severityTable(all, false), Conditions: severityTable(all, true),
		Confusion: confusion(all, ByAssay), Special: special(all), Coverage: coverage(all),
	}
	field := asInTheField(forecasts(all, ByAssay))
	r.Field = Field{Number(brier(field)), Number(logLoss(field)), calibrate(field)}
	for _, g := range groupings {
		r.Groups = append(r.Groups, group(all, g.by, g.of))
	}
	r.Targets = r.targets()
	return r
}

func group(all []*Outcome, by string, of func(*Outcome) string) Grouping {
	parts := map[string][]*Outcome{}
	for _, o := range all {
		parts[of(o)] = append(parts[of(o)], o)
	}
	g := Grouping{By: by}
	for name, part := range parts {
		g.Parts = append(g.Parts, Group{name, FiguresOf(part, ByAssay), FiguresOf(part, ByLoad), FiguresOf(part, ByTrim)})
	}
	slices.SortFunc(g.Parts, func(a, b Group) int {
		return cmp.Or(cmp.Compare(b.Assay.Cases, a.Assay.Cases), cmp.Compare(a.Name, b.Name))
	})
	return g
}

func (r *Report) targets() []Target {
	var list []Target
	rate := func(name string, limit float64, atLeast bool, of func(*Figures) Rate) {
		a, l, t := of(&r.Assay), of(&r.Load), of(&r.Trim)
		sign, wanted := 1.0, "≥"
		if !atLeast {
			sign, wanted = -1, "≤"
		}
		list = append(list, Target{
			Name: name, Wanted: fmt.Sprintf("%s %g %%", wanted, 100*limit), Assay: withInterval(a), Load: percent(l), Trim: percent(t),
			Met:    sign*a.Share() >= sign*limit,
			Better: (l.Of == 0 || sign*a.Share() > sign*l.Share()) && (t.Of == 0 || sign*a.Share() > sign*t.Share()),
		})
	}
	rate("true meter condemned", 0.01, false, func(f *Figures) Rate { return f.MeterCondemned })
	rate("true thermistor condemned", 0.01, false, func(f *Figures) Rate { return f.ThermistorCondemned })
	rate("meter error of 10 % or more found, where trims exist", 0.95, true, func(f *Figures) Rate { return f.DetectedTrims })
	rate("meter error of 10 % or more found", 0.85, true, func(f *Figures) Rate { return f.Detected })
	rate("leading condition, or its inseparable pair, right", 0.90, true, func(f *Figures) Rate { return f.Right })
	for _, c := range []struct {
		name string
		c    *Calibration
	}{{"calibration error", &r.Assay.Calibration}, {"calibration error, weighted as in the field", &r.Field.Calibration}} {
		list = append(list, Target{
			Name: c.name, Wanted: "≤ 0.03", Assay: calibrated(c.c), Load: calibrated(&r.Load.Calibration), Trim: calibrated(&r.Trim.Calibration),
			Met: c.c.Error <= 0.03, Better: c.c.Error < r.Load.Calibration.Error && c.c.Error < r.Trim.Calibration.Error,
		})
	}
	rate("insufficient drives called inconclusive", 0.95, true, func(f *Figures) Rate { return f.OpenDrive })
	return list
}

// AddRobustness adds what less of a recording does, and its targets.
func (r *Report) AddRobustness(list []Changed) {
	r.Robust = RobustnessOf(list)
	for _, x := range []struct {
		name string
		rate Rate
	}{
		{"one signal left out: firm and right becomes firm and wrong", r.Robust.Removals},
		{"half of the samples left out: firm and right becomes firm and wrong", r.Robust.Halvings},
	} {
		r.Targets = append(r.Targets, Target{
			Name: x.name, Wanted: "≤ 1 %", Assay: withInterval(x.rate), Load: nothing, Trim: nothing, Met: x.rate.Share() <= 0.01, Better: true,
		})
	}
}

// severityTable answers how single faults were answered, by severity, and by condition too.
func severityTable(all []*Outcome, byCondition bool) []Missed {
	rows := map[[2]string]*Missed{}
	for _, o := range all {
		l, v := &o.Label, &o.Assay
		if !l.oneTruth() || l.Condition == noFault {
			continue
		}
		key := [2]string{"", l.Severity}
		if byCondition {
			key[0] = l.Condition
		}
		if rows[key] == nil {
			rows[key] = &Missed{Condition: key[0], Severity: key[1]}
		}
		m := rows[key]
		right, none := v.right(l), v.Top == noFault
		count(&m.Right, right)
		count(&m.FirmRight, right && v.Conclusive)
		count(&m.NoFault, none)
		count(&m.FirmNoFault, none && v.Conclusive)
		count(&m.Other, !right && !none)
	}
	var list []Missed
	for _, m := range rows {
		list = append(list, *m)
	}
	order := []string{"mild", "moderate", "severe"}
	slices.SortFunc(list, func(a, b Missed) int {
		return cmp.Or(cmp.Compare(slices.Index(Conditions, a.Condition), slices.Index(Conditions, b.Condition)),
			cmp.Compare(slices.Index(order, a.Severity), slices.Index(order, b.Severity)))
	})
	return list
}

// confusion counts sufficient cases with one truth: a row for each truth, a column for
// each leading answer.
func confusion(all []*Outcome, judge Judge) [][]int {
	m := make([][]int, len(Conditions))
	for i := range m {
		m[i] = make([]int, len(Conditions))
	}
	for _, o := range all {
		if o.Label.oneTruth() {
			m[slices.Index(Conditions, o.Label.Condition)][slices.Index(Conditions, judge(o).Top)]++
		}
	}
	return m
}

func special(all []*Outcome) (s Special) {
	for _, o := range all {
		l, v := &o.Label, &o.Assay
		if !l.Sufficient {
			continue
		}
		right := v.right(l)
		if l.Second != nil {
			count(&s.DoubleEither, right)
			count(&s.DoubleFirmWrong, !right && v.Conclusive)
			count(&s.DoubleReplace, v.Touches)
			if l.MeterTrue {
				count(&s.DoubleCondemned, v.CondemnsMeter)
			}
		}
		if l.WrongFact != "" {
			count(&s.FactsRight, right)
			count(&s.FactsFirmWrong, !right && v.Conclusive)
			if l.MeterTrue {
				count(&s.FactsCondemned, v.CondemnsMeter)
			}
		}
		if l.DuctOpen {
			count(&s.DuctRight, right)
			count(&s.DuctTouched, v.TouchesFirst)
		}
	}
	return s
}

// coverage asks whether the 90 % interval of the meter's error at the highest flow
// holds the true error, where the flow is the same within a fifth.
func coverage(all []*Outcome) (r Rate) {
	for _, o := range all {
		l, e := &o.Label, o.Assay.Error
		if !l.Sufficient || e == nil || l.MeterError == nil || l.Condition == "CONDITION_METER_SIGNAL_FAULT" || l.MeterFlow == 0 ||
			math.Abs(math.Log(e.Flow/l.MeterFlow)) > 0.2 {
			continue
		}
		count(&r, *l.MeterError >= e.Low && *l.MeterError <= e.High)
	}
	return r
}

// Operating compares a naive judge, with its threshold moved, with the assay.
type Operating struct {
	Judge string `json:"judge"`
	// Alarm is how often it condemns a true meter when it finds as many bad ones as the assay.
	Alarm Number `json:"true_meter_condemned_at_the_assays_detection"`
	// Found is how many bad ones it finds when it condemns 1 % of the true ones.
	Found Number `json:"found_at_one_percent"`
}

func equalOperating(all []*Outcome) []Operating {
	detection := FiguresOf(all, ByAssay).Detected.Share()
	var list []Operating
	for _, j := range []struct {
		name    string
		judge   Judge
		suspect func(x float64) float64
	}{
		{"full-load calculated load", ByLoad, func(x float64) float64 { return -x }},
		{"mean trim", ByTrim, math.Abs},
	} {
		var bad, sound []float64
		for _, o := range all {
			score := math.Inf(-1)
			if m := j.judge(o).Measured; m != nil {
				score = j.suspect(*m)
			}
			if o.Label.Detectable() {
				bad = append(bad, score)
			}
			if o.Label.Sufficient && o.Label.MeterTrue {
				sound = append(sound, score)
			}
		}
		list = append(list, Operating{j.name, Number(alarmAt(bad, sound, detection)), Number(foundAt(bad, sound, 0.01))})
	}
	return list
}

// alarmAt is the share of sound scores at or above the threshold that finds a share of the bad ones.
func alarmAt(bad, sound []float64, detection float64) float64 {
	need := int(math.Ceil(detection*float64(len(bad)) - 1e-9))
	if len(bad) == 0 || len(sound) == 0 || need == 0 {
		return math.NaN()
	}
	slices.Sort(bad)
	return shareFrom(sound, bad[len(bad)-need])
}

// foundAt is the share of bad scores above the threshold that condemns at most a share of the sound ones.
func foundAt(bad, sound []float64, alarm float64) float64 {
	if len(bad) == 0 || len(sound) == 0 {
		return math.NaN()
	}
	slices.Sort(sound)
	limit := sound[len(sound)-1-int(alarm*float64(len(sound)))]
	n := 0
	for _, x := range bad {
		if x > limit {
			n++
		}
	}
	return float64(n) / float64(len(bad))
}

func shareFrom(xs []float64, limit float64) float64 {
	n := 0
	for _, x := range xs {
		if x >= limit {
			n++
		}
	}
	return float64(n) / float64(len(xs))
}

// Tables lays the report out.
func (r *Report) Tables() []Table {
	tables := []Table{r.targetTable(), r.overallTable(), r.equalTable(), r.specialTable(), missedTable("Single faults in sufficient cases, by severity", r.Severities)}
	for i := range r.Groups {
		tables = append(tables, groupTable(&r.Groups[i]))
	}
	tables = append(tables, missedTable("Single faults in sufficient cases, by condition and severity", r.Conditions), r.confusionTable(), r.reliabilityTable())
	if r.Robust.Cases.Of > 0 {
		tables = append(tables, r.robustTable())
	}
	return tables
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func (r *Report) targetTable() Table {
	t := Table{
		Title: fmt.Sprintf("Targets: %d cases, seeds %s, %s", r.Cases, r.Seeds, r.Engine),
		Head:  []string{"figure (sufficient cases)", "wanted", "assay", "met", "naive: load", "naive: trim", "better than both"},
	}
	for _, x := range r.Targets {
		t.Rows = append(t.Rows, []string{x.Name, x.Wanted, x.Assay, yes(x.Met), x.Load, x.Trim, yes(x.Better)})
	}
	return t
}

func (r *Report) overallTable() Table {
	t := Table{Title: "All figures", Head: []string{"figure", "assay", "naive: load", "naive: trim"}}
	row := func(name string, show func(*Figures) string) {
		t.Rows = append(t.Rows, []string{name, show(&r.Assay), show(&r.Load), show(&r.Trim)})
	}
	rate := func(name string, of func(*Figures) Rate) {
		row(name, func(f *Figures) string { return percent(of(f)) })
	}
	row("cases", func(f *Figures) string { return strconv.Itoa(f.Cases) })
	row("sufficient", func(f *Figures) string { return strconv.Itoa(f.Sufficient) })
	rate("leading condition right", func(f *Figures) Rate { return f.Right })
	rate("firm and right", func(f *Figures) Rate { return f.FirmRight })
	rate("firm and wrong", func(f *Figures) Rate { return f.FirmWrong })
	rate("true meter condemned", func(f *Figures) Rate { return f.MeterCondemned })
	rate("true meter condemned, any drive", func(f *Figures) Rate { return f.MeterCondemnedAnywhere })
	rate("true meter accused by a finding", func(f *Figures) Rate { return f.MeterAccused })
	rate("true thermistor condemned", func(f *Figures) Rate { return f.ThermistorCondemned })
	rate("true thermistor accused by a finding", func(f *Figures) Rate { return f.ThermistorAccused })
	rate("meter error ≥ 10 % found", func(f *Figures) Rate { return f.Detected })
	rate("the same where trims exist", func(f *Figures) Rate { return f.DetectedTrims })
	rate("the same, firmly", func(f *Figures) Rate { return f.DetectedFirmly })
	rate("found, or named as inseparable from what leads", func(f *Figures) Rate { return f.Named })
	row("Brier score", func(f *Figures) string { return decimals(f.Brier, 3) })
	row("log loss", func(f *Figures) string { return decimals(f.LogLoss, 3) })
	row("calibration error", func(f *Figures) string { return calibrated(&f.Calibration) })
	row("calibration error by chance", func(f *Figures) string { return decimals(f.Calibration.Chance, 3) })
	rate("inconclusive of sufficient", func(f *Figures) Rate { return f.Open })
	rate("inconclusive of insufficient drives", func(f *Figures) Rate { return f.OpenDrive })
	rate("the same without broken signals", func(f *Figures) Rate { return f.OpenPlain })
	rate("inconclusive of invisible faults", func(f *Figures) Rate { return f.OpenInvisible })
	only := func(name, value string) { t.Rows = append(t.Rows, []string{name, value, nothing, nothing}) }
	only("weighted as in the field: Brier score", decimals(r.Field.Brier, 3))
	only("weighted as in the field: log loss", decimals(r.Field.LogLoss, 3))
	only("weighted as in the field: calibration error", calibrated(&r.Field.Calibration))
	only("weighted as in the field: calibration error by chance", decimals(r.Field.Calibration.Chance, 3))
	only("90 % interval of the meter's error holds the truth", percent(r.Coverage))
	return t
}

func (r *Report) equalTable() Table {
	t := Table{Title: "Naive judges with their threshold moved", Head: []string{"judge", "true meters condemned when it finds as many bad ones as the assay", "bad ones found when it condemns 1 % of the true ones"}}
	for _, o := range r.Equal {
		t.Rows = append(t.Rows, []string{o.Judge, decimals(100*o.Alarm, 1) + " %", decimals(100*o.Found, 1) + " %"})
	}
	return t
}

func (r *Report) specialTable() Table {
	s := &r.Special
	t := Table{Title: "Double faults, wrong facts, open ducts (sufficient cases)", Head: []string{"figure", "assay"}}
	for _, x := range []struct {
		name string
		rate Rate
	}{
		{"double fault: one of both leads", s.DoubleEither}, {"double fault: firm, and neither of both", s.DoubleFirmWrong},
		{"double fault: true meter condemned", s.DoubleCondemned}, {"double fault: clean or replace advised", s.DoubleReplace},
		{"wrong fuel or aspiration entered: right", s.FactsRight}, {"wrong fuel or aspiration entered: firm and wrong", s.FactsFirmWrong},
		{"wrong fuel or aspiration entered: true meter condemned", s.FactsCondemned},
		{"duct open between meter and throttle: right", s.DuctRight}, {"duct open: clean or replace before anybody looks at it", s.DuctTouched},
	} {
		t.Rows = append(t.Rows, []string{x.name, withInterval(x.rate)})
	}
	return t
}

func missedTable(title string, list []Missed) Table {
	t := Table{Title: title, Head: []string{"fault", "cases", "right", "firm and right", "missed: called no fault", "missed firmly", "called another fault"}}
	share := func(r Rate) string { return fmt.Sprintf("%.0f %%", 100*r.Share()) }
	for _, m := range list {
		name := m.Severity
		if m.Condition != "" {
			name = word(m.Condition) + ", " + m.Severity
		}
		t.Rows = append(t.Rows, []string{name, strconv.Itoa(m.Right.Of), share(m.Right), share(m.FirmRight), share(m.NoFault), share(m.FirmNoFault), share(m.Other)})
	}
	return t
}

func groupTable(g *Grouping) Table {
	t := Table{Title: "By " + g.By, Head: []string{
		g.By, "cases", "sufficient", "right", "firm right", "firm wrong", "true meter condemned", "true thermistor condemned", "≥ 10 % found", "with trims",
		"Brier", "log loss", "calibration error", "open, sufficient", "open, insufficient drive", "load: right, condemned, found", "trim: right, condemned, found",
	}}
	short := func(r Rate) string {
		if r.Of == 0 {
			return nothing
		}
		return fmt.Sprintf("%.1f %%", 100*r.Share())
	}
	naive := func(f *Figures) string {
		return short(f.Right) + ", " + short(f.MeterCondemned) + ", " + short(f.Detected)
	}
	for i := range g.Parts {
		p := &g.Parts[i]
		f := &p.Assay
		t.Rows = append(t.Rows, []string{
			p.Name, strconv.Itoa(f.Cases), strconv.Itoa(f.Sufficient), short(f.Right), short(f.FirmRight), short(f.FirmWrong),
			percent(f.MeterCondemned), percent(f.ThermistorCondemned), percent(f.Detected), percent(f.DetectedTrims),
			decimals(f.Brier, 3), decimals(f.LogLoss, 3), calibrated(&f.Calibration), short(f.Open), percent(f.OpenDrive), naive(&p.Load), naive(&p.Trim),
		})
	}
	return t
}

func (r *Report) confusionTable() Table {
	t := Table{Title: "Confusion: rows are true, columns the assay's leading condition", Note: "Sufficient cases with one fault or none; inseparable pairs are not forgiven here.", Head: []string{"truth"}}
	for i := range Conditions {
		t.Head = append(t.Head, strconv.Itoa(i+1))
	}
	for i, name := range Conditions {
		row := []string{fmt.Sprintf("%d %s", i+1, word(name))}
		for k := range Conditions {
			cell := "·"
			if n := r.Confusion[i][k]; n > 0 {
				cell = strconv.Itoa(n)
			}
			row = append(row, cell)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func (r *Report) reliabilityTable() Table {
	t := Table{Title: "Reliability of the leading condition", Note: "Ten bins of equally many sufficient cases with one truth.", Head: []string{"bin", "cases", "how sure", "how often right", "weighted: how sure", "weighted: how often right"}}
	for i, b := range r.Assay.Calibration.Bins {
		row := []string{strconv.Itoa(i + 1), strconv.Itoa(b.Cases), fmt.Sprintf("%.3f", b.Confidence), fmt.Sprintf("%.3f", b.Right), nothing, nothing}
		if i < len(r.Field.Calibration.Bins) {
			f := r.Field.Calibration.Bins[i]
			row[4], row[5] = fmt.Sprintf("%.3f", f.Confidence), fmt.Sprintf("%.3f", f.Right)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func (r *Report) robustTable() Table {
	x := &r.Robust
	t := Table{Title: "With less recorded: what becomes of firm and right verdicts", Head: []string{"figure", "assay"}}
	t.Rows = [][]string{
		{"cases that some change makes firm and wrong", withInterval(x.Cases)},
		{"one signal left out: firm and wrong", withInterval(x.Removals)},
		{"the same where what is left still shows the truth", withInterval(x.Shown)},
		{"half of the samples left out: firm and wrong", withInterval(x.Halvings)},
		{"true meter condemned by any of the changes", withInterval(x.Condemned)},
	}
	for _, b := range x.Broken {
		t.Rows = append(t.Rows, []string{"without " + b.Name, strconv.Itoa(len(b.Cases))})
	}
	return t
}
