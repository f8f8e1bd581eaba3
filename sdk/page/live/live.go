// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package live shows a drive on a terminal while it is driven: what was found and refused, what is likeliest, what is
// missing and what to do next.
package live

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"github.com/mattn/go-runewidth"
	"golang.org/x/term"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page/wording"
)

// Options say what is shown, and where.
type Options struct {
	// Out is where: a terminal gets a few lines that are kept up to date, anything else a line for each change.
	Out io.Writer
	// Name stands before a note, such as the program's.
	Name string
	// Size gives the terminal's columns and rows; nil to ask Out whether it is one.
	Size func() (columns, rows int)
	// Head gives the first line of the block from a state of the drive; nil for none.
	Head func(p *pb.SessionProgress) string
	// Tail gives the last lines of the block, such as a chart, none wider than columns; nil for none.
	Tail func(columns int) []string
}

// Display shows one drive. Its methods may be called from any goroutine. What cannot be written is lost.
type Display struct {
	o Options

	mu      sync.Mutex
	said    map[string]string // What stands in the newest line of each kind.
	likely  likelihood        // What the newest line on what is likeliest told.
	state   *pb.SessionProgress
	drawn   []string // The block as it stands on the terminal.
	drawnAt time.Time
}

// New makes a display.
func New(o Options) *Display {
	d := &Display{o: o, said: map[string]string{}}
	if fd, ok := Terminal(o.Out); ok && o.Size == nil {
		d.o.Size = func() (int, int) {
			columns, rows, err := term.GetSize(fd)
			if err != nil || columns < 20 || rows < 5 {
				return 80, 24
			}
			return columns, rows
		}
	}
	return d
}

// InPlace reports whether the block is kept up to date in place.
func (d *Display) InPlace() bool { return d.o.Size != nil }

// Terminal gives the file descriptor of a stream that is a terminal.
func Terminal(w io.Writer) (int, bool) {
	f, ok := w.(interface{ Fd() uintptr })
	if !ok {
		return 0, false
	}
	return int(f.Fd()), term.IsTerminal(int(f.Fd()))
}

// Notef tells something that stays on the screen.
func (d *Display) Notef(format string, args ...any) {
	d.mu.Lock()
	defer d.mu.Unlock()
	note := []string{d.o.Name + ": " + Printable(fmt.Sprintf(format, args...))}
	if d.o.Size == nil {
		_, _ = fmt.Fprintln(d.o.Out, note[0])
		return
	}
	columns, _ := d.o.Size()
	d.draw(wrap("", note[0], columns-1))
}

// often is the least time between two redrawings that no new state of the drive asks for.
const often = 100 * time.Millisecond

// Refresh draws the block again, after what Head or Tail tell has changed, but not more than ten times a second.
func (d *Display) Refresh() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.o.Size == nil || time.Since(d.drawnAt) < often {
		return
	}
	d.draw(nil)
}

// Progress takes a new state of the drive in.
func (d *Display) Progress(p *pb.SessionProgress) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.state = p
	if d.o.Size == nil {
		d.changes(false)
		return
	}
	d.draw(nil)
}

// End leaves what stands on the terminal where it is.
func (d *Display) End() {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.state == nil:
	case d.o.Size == nil:
		d.changes(true)
	default:
		d.draw(nil)
	}
	d.drawn, d.state = nil, nil
}

// grownUS is how long, in microseconds of the drive, a stretch must have been over before it is told: while it grows it
// would be told again and again.
const grownUS = 3_000_000

// changes writes a line for everything that is new since the state before; with all also for what may still grow.
func (d *Display) changes(all bool) {
	l := lines(d.state)
	for _, m := range l.manoeuvres {
		if all || d.state.GetLatestTimeUs()-m.endUS >= grownUS {
			d.sayNew(m.key, m.text)
		}
	}
	if all || d.likely.differs(l.likely) {
		d.likely = l.likely
		d.sayNew("likeliest", l.likeliest)
	}
	d.sayNew("missing", l.missing)
	d.sayNew("next", l.next)
}

func (d *Display) sayNew(key, text string) {
	if d.said[key] == text {
		return
	}
	if d.said[key] = text; text == "" {
		text = "nothing any more"
	}
	kind, _, _ := strings.Cut(key, " ")
	_, _ = fmt.Fprintf(d.o.Out, "%s %s: %s\n", wording.Clock(d.state.GetLatestTimeUs()), kind, text)
}

// draw puts a note, which stays, and below it the block on the terminal in place of the block that stood there: in one
// write that overwrites line by line, so that nothing flickers. Of a block with too little room it is the end, where the
// cautions stand.
func (d *Display) draw(note []string) {
	var block []string
	if d.state != nil {
		columns, rows := d.o.Size()
		block = d.block(columns - 1)
		block = block[max(0, len(block)-rows+1):]
	}
	if len(note) == 0 && slices.Equal(block, d.drawn) {
		return
	}
	var b strings.Builder
	end := "\n"
	if len(d.drawn) > 0 {
		fmt.Fprintf(&b, "\x1b[%dA\r", len(d.drawn))
		end = "\x1b[K\n"
	}
	for _, line := range slices.Concat(note, block) {
		b.WriteString(line + end)
	}
	if len(d.drawn) > 0 {
		b.WriteString("\x1b[J")
	}
	_, _ = io.WriteString(d.o.Out, b.String())
	d.drawn, d.drawnAt = block, time.Now()
}

func (d *Display) block(columns int) []string {
	const listed = 4 // What was driven before is on the page in the end.
	l := lines(d.state)
	var block []string
	if d.o.Head != nil {
		block = wrap("", d.o.Head(d.state), columns)
	}
	for _, m := range l.manoeuvres[max(0, len(l.manoeuvres)-listed):] {
		kind, _, _ := strings.Cut(m.key, " ")
		block = append(block, wrap(kind, m.text, columns)...)
	}
	if d.o.Tail != nil {
		block = append(block, d.o.Tail(columns)...)
	}
	block = append(block, wrap("likeliest", l.likeliest, columns)...)
	block = append(block, wrap("missing", l.missing, columns)...)
	return append(block, wrap("next", l.next, columns)...)
}

// progressLines is a state of a drive in words.
type progressLines struct {
	manoeuvres               []manoeuvreLine
	likely                   likelihood
	likeliest, missing, next string
}

// likelihood is what is likeliest, and how sure that is.
type likelihood struct {
	condition   pb.Condition
	probability float64
	firm        bool
}

// differs reports whether a reader would want to be told again.
func (l likelihood) differs(newer likelihood) bool {
	const step = 0.05
	return l.condition != newer.condition || l.firm != newer.firm || math.Abs(l.probability-newer.probability) >= step
}

// manoeuvreLine is one stretch. The key is the same for the same stretch in every state.
type manoeuvreLine struct {
	key, text string
	endUS     int64
}

func lines(p *pb.SessionProgress) progressLines {
	words := wording.For("")
	var l progressLines
	for _, m := range p.GetManoeuvres() {
		kind := "refused"
		if m.GetUsed() {
			kind = "found"
		}
		l.manoeuvres = append(l.manoeuvres, manoeuvreLine{
			key:   fmt.Sprintf("%s %d %d", kind, m.GetKind(), m.GetStartUs()),
			endUS: m.GetEndUs(),
			text: Printable(fmt.Sprintf("%s %s to %s: %s", words.Manoeuvre(m.GetKind()),
				wording.Clock(m.GetStartUs()), wording.Clock(m.GetEndUs()), stretch(words, m))),
		})
	}
	if p.GetLatestTimeUs() == 0 && len(p.GetManoeuvres()) == 0 {
		return l // Nothing was read so far, and so there is nothing to say.
	}
	// Before the first stretch there is only what was likely before the drive.
	if c := p.GetConditions(); len(c) > 0 && len(p.GetManoeuvres()) > 0 {
		l.likely = likelihood{c[0].GetCondition(), c[0].GetProbability(), p.GetConclusive()}
		l.likeliest = Printable(fmt.Sprintf("%s, %s", words.Condition(l.likely.condition), words.Probability(l.likely.probability)))
		if l.likely.firm {
			l.likeliest += ", firm"
		}
	}
	const listed = 4 // Most useful first; a driver can do no more than one at a time.
	var missing []string
	for i, g := range p.GetGaps() {
		if i == listed {
			missing = append(missing, wording.Sentence(words.More(len(p.GetGaps())-i)))
			break
		}
		missing = append(missing, words.GapName(g))
	}
	l.missing = Printable(strings.Join(missing, " "))
	l.next = Printable(p.GetPrompt())
	return l
}

// stretch says why a stretch was refused, or what it gave.
func stretch(words wording.Catalogue, m *pb.Manoeuvre) string {
	if m.GetUsed() {
		return words.Stretch(m)
	}
	var reasons []string
	for _, reason := range m.GetReasons() {
		reasons = append(reasons, words.GateReason(reason))
	}
	return strings.Join(reasons, ", ")
}

// labelColumns is room for the longest label and two spaces.
const labelColumns = 11

// wrap breaks a text into lines behind a label, and words that are longer than a line. Empty text has none.
func wrap(label, text string, columns int) []string {
	indent := ""
	if label != "" {
		indent = strings.Repeat(" ", labelColumns)
	}
	var all []string
	line := fmt.Sprintf("%-*s", len(indent), label)
	empty := true
	for word := range strings.FieldsSeq(text) {
		for word != "" {
			piece := runewidth.Truncate(word, max(2, columns-len(indent)), "")
			word = word[len(piece):]
			if !empty && runewidth.StringWidth(line)+1+runewidth.StringWidth(piece) > columns {
				all = append(all, line)
				line, empty = indent, true
			}
			if !empty {
				line += " "
			}
			line += piece
			empty = false
		}
	}
	if empty {
		return all
	}
	return append(all, line)
}

// Printable keeps what comes from elsewhere from steering the terminal or faking a line of its own.
func Printable(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsPrint(r):
			return r
		case unicode.IsSpace(r):
			return ' '
		}
		return unicode.ReplacementChar
	}, s)
}
