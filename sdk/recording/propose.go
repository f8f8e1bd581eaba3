// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
)

// Proposal is a mapping that the file suggests, with what speaks for it.
type Proposal struct {
	// File is the name that the caller gave.
	File string
	// Mapping reads the file. Columns that Ambiguities concern are ignored in it, and
	// a clock that they concern is row_order, until Choose decides.
	Mapping *Mapping
	// Columns tells about every column of the file, in its order.
	Columns []ProposedColumn
	// Clock says in words where the time comes from.
	Clock string
	// Rows is the number of data rows.
	Rows int
	// RaggedRows is how many of them do not fit the header and will be skipped.
	RaggedRows int
	// Ambiguities are the questions that the file does not answer. Empty: the mapping
	// is ready.
	Ambiguities []Ambiguity
}

// ProposedColumn is what one column seems to be.
type ProposedColumn struct {
	// Header is the header without spaces around it; Column its position from 1.
	Header string
	Column int
	// Signal is the VSS path, Unit the unit of the cells, VSSUnit what it becomes.
	// All are empty for an ignored column.
	Signal, Unit, VSSUnit string
	// Samples is the number of cells that hold a number or a time.
	Samples int
	// Note says why a column is ignored, or what was assumed.
	Note string
	// Clock marks the column that the time comes from.
	Clock bool
}

// AmbiguityKind says what a question is about.
type AmbiguityKind string

// What a file may leave open.
const (
	// AmbiguousColumn: several columns claim one signal with equal right.
	AmbiguousColumn AmbiguityKind = "column"
	// AmbiguousUnit: the unit of a column cannot be decided.
	AmbiguousUnit AmbiguityKind = "unit"
	// AmbiguousClock: two clocks disagree, or the unit of one cannot be decided.
	AmbiguousClock AmbiguityKind = "clock"
	// AmbiguousDecimal: a comma may be a decimal mark or may group thousands.
	AmbiguousDecimal AmbiguityKind = "decimal"
)

// Ambiguity is one question with its possible answers.
type Ambiguity struct {
	Kind AmbiguityKind
	// Question says in a sentence what is open.
	Question string
	// Choices are the answers; Choose takes an index into them.
	Choices []string
	// Chosen is the index of the answer that was taken, −1 while it is open.
	Chosen int

	apply []func(p *Proposal)
}

// Open returns the ambiguities that nobody has decided yet.
func (p *Proposal) Open() []Ambiguity {
	var open []Ambiguity
	for _, a := range p.Ambiguities {
		if a.Chosen < 0 {
			open = append(open, a)
		}
	}
	return open
}

// Choose answers one ambiguity by the index of a choice; the mapping follows.
func (p *Proposal) Choose(ambiguity, choice int) error {
	if ambiguity < 0 || ambiguity >= len(p.Ambiguities) {
		return fmt.Errorf("there is no ambiguity %d; there are %d", ambiguity, len(p.Ambiguities))
	}
	a := &p.Ambiguities[ambiguity]
	if choice < 0 || choice >= len(a.Choices) {
		return fmt.Errorf("there is no choice %d; there are %d", choice, len(a.Choices))
	}
	a.Chosen = choice
	a.apply[choice](p)
	return nil
}

// Propose looks through a whole file of another logger and proposes how to read it.
// Memory stays bounded; the input is read once, to its end. What makes the file
// unreadable is an *Error; what a human must decide stands in Ambiguities.
func Propose(ctx context.Context, r io.Reader, name string) (*Proposal, error) {
	head, truncated, err := readHead(r, name)
	if err != nil {
		return nil, err
	}
	layout, err := sniffLayout(head, truncated, name)
	if err != nil {
		return nil, err
	}
	s := survey{layout: layout, file: name}
	if err := s.read(ctx, io.MultiReader(bytes.NewReader(head), r)); err != nil {
		return nil, err
	}
	return s.propose()
}

// headBytes is how much of a file decides its layout.
const headBytes = 1 << 20

func readHead(r io.Reader, name string) (head []byte, truncated bool, err error) {
	head, err = io.ReadAll(io.LimitReader(r, headBytes))
	if err != nil {
		return nil, false, (&records{file: name}).unreadable(err)
	}
	if len(bytes.TrimSpace(bytes.TrimPrefix(head, markUTF8))) == 0 {
		return nil, false, &Error{File: name, Kind: KindEmpty, Expected: "a table with a header", Hint: "choose another file"}
	}
	return head, len(head) == headBytes, nil
}

// candidate is one column while the proposal is made.
type candidate struct {
	at    int
	match headerMatch
	stats *columnStats
	mark  byte // decimal mark of the column
	unit  string
}

func (s *survey) propose() (*Proposal, error) {
	if s.rows == 0 {
		return nil, &Error{File: s.file, Line: s.layout.headerLine, Kind: KindHeaderOnly, Expected: "data rows below the header", Hint: "record again; the recording was stopped before its first row"}
	}
	if 2*s.ragged > s.rows {
		return nil, &Error{File: s.file, Line: s.firstRagged, Kind: KindRagged, Got: fmt.Sprintf("%d of %d rows with another number of cells", s.ragged, s.rows), Expected: fmt.Sprintf("%d cells as in the header", len(s.layout.header)),
			Hint: "if the file has decimal commas, save it with semicolons between columns"}
	}
	p := &Proposal{File: s.file, Rows: s.rows, RaggedRows: s.ragged, Mapping: s.mapping()}
	for i, h := range s.layout.header {
		p.Columns = append(p.Columns, ProposedColumn{Header: h, Column: i + 1, Samples: s.columns[i].numbers + s.columns[i].times})
		p.Mapping.Columns = append(p.Mapping.Columns, ColumnMapping{Header: h, Column: s.position(i)})
	}
	p.chooseClock(s)
	p.assign(s)
	return p, p.complete(s)
}

// complete refuses a file of which nothing can be used.
func (p *Proposal) complete(s *survey) error {
	for i, c := range p.Mapping.Columns {
		if c.Signal != "" {
			return nil
		}
		if c.Ignore == "" {
			p.ignore(i, "no signal of that name is known")
		}
	}
	if len(p.Ambiguities) > 0 {
		return nil
	}
	return &Error{File: s.file, Line: s.layout.headerLine, Kind: KindNoSignals, Got: "the headers " + headerList(s.layout.header), Expected: "at least one header that names a signal, such as MAF or Engine RPM", Hint: "write a mapping by hand, or check that the first line of the table is its header"}
}

func headerList(headers []string) string {
	var out []string
	for i, h := range headers {
		if i == 12 {
			out = append(out, "…")
			break
		}
		out = append(out, quoted(h))
	}
	return strings.Join(out, ", ")
}

func (s *survey) mapping() *Mapping {
	m := &Mapping{Version: MappingVersion, Encoding: s.layout.encoding, Separator: string(s.layout.separator), Decimal: ".", HeaderLine: s.layout.headerLine}
	if s.layout.dataLine != s.layout.headerLine+1 {
		m.DataLine = s.layout.dataLine
	}
	if s.commas() > s.points() {
		m.Decimal = ","
	}
	return m
}

func (s *survey) commas() (n int) {
	for i := range s.columns {
		n += s.columns[i].commas
	}
	return n
}

func (s *survey) points() (n int) {
	for i := range s.columns {
		n += s.columns[i].points
	}
	return n
}

// position returns the place of a column where its header is blank or not the only
// one of that text.
func (s *survey) position(i int) int {
	for k, h := range s.layout.header {
		if h == "" && k == i || k != i && h == s.layout.header[i] {
			return i + 1
		}
	}
	return 0
}

func (p *Proposal) ignore(i int, why string) {
	m := &p.Mapping.Columns[i]
	m.Signal, m.Unit, m.Decimal, m.Ignore = "", "", "", why
	c := &p.Columns[i]
	c.Signal, c.Unit, c.VSSUnit, c.Note = "", "", "", why
}

// use puts a column to use; notes are added by the caller.
func (p *Proposal) use(c candidate) {
	m := &p.Mapping.Columns[c.at]
	m.Signal, m.Unit, m.Ignore, m.Decimal = c.match.signal.Path, c.unit, "", ""
	if string(c.mark) != p.Mapping.Decimal {
		m.Decimal = string(c.mark)
	}
	col := &p.Columns[c.at]
	col.Signal, col.Unit, col.VSSUnit, col.Note = m.Signal, m.Unit, c.match.signal.Unit, ""
	if c.match.quality == byGuess {
		col.Note = "the header is read as " + c.match.signal.Short()
	}
}

// assign decides what every column is.
func (p *Proposal) assign(s *survey) {
	claims := map[string][]candidate{}
	var order []string
	for i := range s.columns {
		c, why := s.candidate(p, i)
		if why != "" {
			p.ignore(i, why)
			continue
		}
		if len(claims[c.match.signal.Path]) == 0 {
			order = append(order, c.match.signal.Path)
		}
		claims[c.match.signal.Path] = append(claims[c.match.signal.Path], c)
	}
	for _, path := range order {
		p.settle(s, bestClaims(p, claims[path]))
	}
}

// candidate returns what a column may be, or why it is ignored.
func (s *survey) candidate(p *Proposal, i int) (candidate, string) {
	stats := &s.columns[i]
	c := candidate{at: i, stats: stats, match: matchHeader(s.layout.header[i])}
	isClock := p.Columns[i].Clock
	switch {
	case stats.filled == 0:
		return c, "no value in any row"
	case c.match.quality == noMatch && isClock:
		return c, "the clock"
	case c.match.quality == noMatch && p.Columns[i].Note != "":
		return c, p.Columns[i].Note
	case c.match.quality == noMatch:
		return c, "no signal of that name is known"
	case c.match.signal.Unit == "s" && stats.times > stats.numbers:
		c.match.unit = unitClock
	case stats.numbers == 0:
		return c, "no number in any row"
	}
	c.mark = p.Mapping.Decimal[0]
	if stats.commas == 0 && stats.points > 0 {
		c.mark = '.'
	} else if stats.points == 0 && stats.commas > 0 {
		c.mark = ','
	}
	if s.layout.units != nil && c.match.unit == "" {
		c.match = c.match.withUnit(s.layout.units[i])
	}
	return c, ""
}

// bestClaims keeps the columns with the best right to a signal and ignores the rest.
func bestClaims(p *Proposal, claims []candidate) []candidate {
	best := noMatch
	for _, c := range claims {
		best = max(best, c.match.quality)
	}
	var kept []candidate
	for _, c := range claims {
		if c.match.quality == best {
			kept = append(kept, c)
		}
	}
	for _, c := range claims {
		if c.match.quality < best {
			p.ignore(c.at, fmt.Sprintf("column %s names %s better", shorten(p.Columns[kept[0].at].Header), c.match.signal.Short()))
		}
	}
	return kept
}

// settle gives a signal to its only column, or asks.
func (p *Proposal) settle(s *survey, claims []candidate) {
	if len(claims) == 1 {
		p.settleUnit(s, claims[0])
		return
	}
	signal := claims[0].match.signal
	a := Ambiguity{Kind: AmbiguousColumn, Chosen: -1}
	var names []string
	for _, c := range claims {
		c.unit = c.knownUnit()
		header := p.Columns[c.at].Header
		names = append(names, fmt.Sprintf("%s (column %d)", shorten(header), c.at+1))
		a.Choices = append(a.Choices, fmt.Sprintf("column %d, %s, in %s", c.at+1, shorten(header), orNone(c.unit)))
		a.apply = append(a.apply, func(p *Proposal) {
			for _, other := range claims {
				p.ignore(other.at, "another column was chosen for "+signal.Short())
			}
			p.use(c)
		})
		p.ignore(c.at, "undecided: several columns claim "+signal.Short())
	}
	a.Question = fmt.Sprintf("Which column is %s: %s?", signal.Short(), strings.Join(names, " or "))
	p.ask(a, func(p *Proposal) {
		for _, c := range claims {
			p.ignore(c.at, "left out by choice")
		}
	})
}

func orNone(unit string) string {
	if unit == "" {
		return "plain numbers"
	}
	return unit
}

// ask adds a question; leaving out is always possible.
func (p *Proposal) ask(a Ambiguity, leaveOut func(p *Proposal)) {
	if leaveOut != nil {
		a.Choices = append(a.Choices, "leave it out")
		a.apply = append(a.apply, leaveOut)
	}
	p.Ambiguities = append(p.Ambiguities, a)
}

// knownUnit is the unit that header, unit row or cells name, else the VSS unit.
func (c candidate) knownUnit() string {
	if c.match.unit != "" {
		return c.match.unit
	}
	if unit := c.stats.cellUnit(c.match.signal); unit != "" {
		return unit
	}
	if c.match.signal.Unit == "" {
		return ""
	}
	_, name, _ := findUnit(c.match.signal.Unit, c.match.signal.Unit)
	return name
}

// mostOutside is the share of values out of range beyond which a column does not hold
// what its header says.
const mostOutside = 0.05

// settleUnit uses a column in the unit that is named or that its values show, or asks.
func (p *Proposal) settleUnit(s *survey, c candidate) {
	signal := c.match.signal
	named := c.match.unit != "" || c.stats.cellUnit(signal) != ""
	c.unit = c.knownUnit()
	if c.unit == unitClock {
		p.use(c)
		return
	}
	if p.askDecimal(s, c) {
		return
	}
	if c.match.odd != "" {
		p.askUnit(c, fmt.Sprintf("The header of column %d, %s, names the unit %s, which is no unit of %s. Which unit are its values in?", c.at+1, shorten(p.Columns[c.at].Header), quoted(c.match.odd), signal.Short()), unitChoices(signal.Unit))
		return
	}
	outside := c.stats.outside(c.reader(c.unit))
	switch {
	case outside < 1 && !named && doubtful(c):
		p.askUnit(c, fmt.Sprintf("The values of column %d, %s, from %v to %v, are unlikely in %s. Which unit are they in?", c.at+1, shorten(p.Columns[c.at].Header), c.stats.low, c.stats.high, c.unit), c.fitting())
	case outside > mostOutside && !named && len(c.fitting()) > 0:
		p.askUnit(c, fmt.Sprintf("The values of column %d, %s, from %v to %v, do not fit %s. Which unit are they in?", c.at+1, shorten(p.Columns[c.at].Header), c.stats.low, c.stats.high, c.unit), c.fitting())
	case outside >= 1:
		p.ignore(c.at, "no value is possible for "+signal.Short())
	case outside > mostOutside:
		p.ignore(c.at, fmt.Sprintf("%.0f %% of the values are out of range for %s in %s, so the column holds something else", 100*outside, signal.Short(), orNone(c.unit)))
	default:
		p.use(c)
		if !named && c.unit != "" {
			p.addNote(c.at, "no unit is named; taken as "+c.unit)
		}
	}
}

func (p *Proposal) addNote(at int, note string) {
	if p.Columns[at].Note != "" {
		note = p.Columns[at].Note + "; " + note
	}
	p.Columns[at].Note = note
}

func (c candidate) reader(unit string) *cellReader {
	r := newCellReader(c.match.signal, unit, c.mark)
	return &r
}

// fitting lists the units in which nearly all values are possible and likely.
func (c candidate) fitting() []string {
	var out []string
	for _, unit := range unitChoices(c.match.signal.Unit) {
		if c.stats.outside(c.reader(unit)) <= mostOutside && (unit == c.unit || !c.unlikely(unit)) {
			out = append(out, unit)
		}
	}
	return out
}

func (p *Proposal) askUnit(c candidate, question string, choices []string) {
	a := Ambiguity{Kind: AmbiguousUnit, Chosen: -1, Question: question, Choices: slices.Clone(choices)}
	for _, unit := range choices {
		c.unit = unit
		chosen := c
		a.apply = append(a.apply, func(p *Proposal) { p.use(chosen) })
	}
	p.ignore(c.at, "undecided: its unit is not clear")
	p.ask(a, func(p *Proposal) { p.ignore(c.at, "left out by choice") })
}

// askDecimal asks whether "1,234" is one or a thousand, where nothing in the file
// tells.
func (p *Proposal) askDecimal(s *survey, c candidate) bool {
	if !s.mayGroup(p, c) {
		return false
	}
	whole := c
	a := Ambiguity{Kind: AmbiguousDecimal, Chosen: -1,
		Question: fmt.Sprintf("Is the %s in column %d, %s, as in %s, a decimal mark?", markName(c.mark), c.at+1, shorten(p.Columns[c.at].Header), quoted(c.stats.example)),
		Choices:  []string{"yes, a decimal mark"},
		apply:    []func(*Proposal){func(p *Proposal) { p.use(whole) }},
	}
	p.ignore(c.at, "undecided: its mark may be a decimal mark or group thousands")
	p.ask(a, func(p *Proposal) { p.ignore(c.at, "left out by choice: cells with grouped thousands are not read") })
	return true
}

// mayGroup tells whether every mark of a column may group thousands and nothing else
// in the file shows that it is a decimal mark.
func (s *survey) mayGroup(p *Proposal, c candidate) bool {
	if c.mark == ',' {
		return c.stats.commas > 0 && c.stats.commas == c.stats.grouped && s.commas() == s.grouped()
	}
	// A point is a decimal mark unless the file has decimal commas.
	return p.Mapping.Decimal == "," && c.stats.points > 0 && c.stats.points == c.stats.groupedPoints
}

func markName(mark byte) string {
	if mark == ',' {
		return "comma"
	}
	return "point"
}

// likely bounds what a whole recording of a signal shows in its VSS unit: the median
// and the largest value. Outside, the unit is in doubt. Generous: weather records,
// places from below sea level to 5,500 m, any engine that runs.
var likely = map[string]struct{ medianLow, medianHigh, topLow, topHigh float64 }{
	"CoolantTemperature":        {-40, 125, -40, 150},
	"IntakeTemp":                {-40, 85, -40, 130},
	"AmbientAirTemperature":     {-40, 58, -40, 70},
	"OilTemperature":            {-40, 160, -40, 180},
	"BarometricPressure":        {45, 112, 45, 112},
	"MAP":                       {12, 400, 35, 500},
	"CommandedEquivalenceRatio": {0, 1.99, 0.3, 2},
	"O2WR.Sensor1.Lambda":       {0, 4, 0.3, 255},
	"ControlModuleVoltage":      {0, 60, 5, 65.535},
	"EngineLoad":                {0, 100, 1.5, 101},
	"AbsoluteLoad":              {0, 500, 1.5, 1000},
	"EngineSpeed":               {0, 16383.75, 150, 16383.75},
}

// doubtful tells whether the values are unlikely in the VSS unit.
func doubtful(c candidate) bool {
	_, own, _ := findUnit(c.match.signal.Unit, c.match.signal.Unit)
	return c.unlikely(own) || c.fractional()
}

func (c candidate) unlikely(unit string) bool {
	l, ok := likely[c.match.signal.Short()]
	if !ok || c.stats.numbers == 0 {
		return false
	}
	convert, _, _ := findUnit(c.match.signal.Unit, unit)
	median, top := convert.apply(c.stats.median()), convert.apply(c.stats.high)
	// An engine that is not running throughout tells nothing about units.
	if c.stats.low == 0 && c.stats.high == 0 {
		return false
	}
	return median < l.medianLow || median > l.medianHigh || top < l.topLow || top > l.topHigh
}

// fractional tells whether percentages look like fractions of one: trims never leave
// ±0.5, yet change in steps finer than the 0.78 % that a trim has.
func (c candidate) fractional() bool {
	trim := strings.Contains(c.match.signal.Path, "FuelTrim")
	top := math.Max(math.Abs(c.stats.low), math.Abs(c.stats.high))
	return trim && top > 0 && top < 0.5
}
