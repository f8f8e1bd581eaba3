// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
	"unicode"

	"github.com/mattn/go-runewidth"
	"golang.org/x/term"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page/wording"
)

// display shows a drive while it is driven: on a terminal as a few lines that are kept up to date,
// elsewhere as one line for each change. Its methods may be called from any goroutine.
type display struct {
	out io.Writer
	// size gives the terminal's columns and rows; nil where out is none.
	size func() (columns, rows int)
	// batches and totals tell how much of the recording is safe.
	batches []*pb.SampleBatch
	samples []int64 // Of the batches up to each one, with 0 in front.

	mu      sync.Mutex
	said    map[string]string // What stands in the newest line of each kind.
	state   *pb.SessionProgress
	durable int64
	drawn   int // Lines of the block that stand on the terminal.
	drawnAt time.Time
}

func newDisplay(out io.Writer, batches []*pb.SampleBatch) *display {
	d := &display{out: out, batches: batches, samples: []int64{0}, said: map[string]string{}}
	for i, b := range batches {
		d.samples = append(d.samples, d.samples[i]+int64(len(b.GetValue())))
	}
	if fd, ok := terminal(out); ok {
		d.size = func() (int, int) {
			columns, rows, err := term.GetSize(fd)
			if err != nil || columns < 20 || rows < 5 {
				return 80, 24
			}
			return columns, rows
		}
	}
	return d
}

// terminal gives the file descriptor of a stream that is a terminal.
func terminal(w io.Writer) (int, bool) {
	f, ok := w.(interface{ Fd() uintptr })
	if !ok {
		return 0, false
	}
	return int(f.Fd()), term.IsTerminal(int(f.Fd()))
}

// notef tells something that stays on the screen.
func (d *display) notef(format string, args ...any) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.erase()
	_, _ = fmt.Fprintf(d.out, "%s: %s\n", program, printable(fmt.Sprintf(format, args...)))
	d.draw()
}

// pushed says up to which batch the recording is safe.
func (d *display) pushed(durable int64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	const often = 100 * time.Millisecond
	if d.durable = durable; d.size == nil || time.Since(d.drawnAt) < often {
		return
	}
	d.erase()
	d.draw()
}

// progress takes a new state of the drive in.
func (d *display) progress(p *pb.SessionProgress) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.state = p
	if d.size == nil {
		d.changes()
		return
	}
	d.erase()
	d.draw()
}

// end leaves what stands on the terminal where it is.
func (d *display) end() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.state != nil && d.size != nil {
		d.erase()
		d.draw()
	}
	d.drawn, d.state = 0, nil
}

// changes writes a line for everything that is new since the state before.
func (d *display) changes() {
	l := lines(d.state)
	for _, m := range l.manoeuvres {
		d.sayNew(m.key, m.text)
	}
	d.sayNew("likeliest", l.likeliest)
	d.sayNew("missing", l.missing)
	d.sayNew("next", l.next)
}

func (d *display) sayNew(key, text string) {
	if d.said[key] == text {
		return
	}
	if d.said[key] = text; text == "" {
		text = "nothing any more"
	}
	kind, _, _ := strings.Cut(key, " ")
	_, _ = fmt.Fprintf(d.out, "%s %s: %s\n", wording.Clock(d.state.GetLatestTimeUs()), kind, text)
}

// erase removes the block from the terminal.
func (d *display) erase() {
	if d.drawn > 0 {
		_, _ = fmt.Fprintf(d.out, "\x1b[%dA\r\x1b[J", d.drawn)
	}
	d.drawn = 0
}

// draw puts the block on the terminal, its end where there is too little room: that is where the
// cautions stand.
func (d *display) draw() {
	if d.size == nil || d.state == nil {
		return
	}
	columns, rows := d.size()
	block := d.block(columns - 1)
	block = block[max(0, len(block)-rows+1):]
	_, _ = io.WriteString(d.out, strings.Join(block, "\n")+"\n")
	d.drawn, d.drawnAt = len(block), time.Now()
}

func (d *display) block(columns int) []string {
	const listed = 4 // What was driven before is on the page in the end.
	l := lines(d.state)
	block := wrap("", fmt.Sprintf("%s of %s driven; %s of %s samples are safe", wording.Clock(d.state.GetLatestTimeUs()), wording.Clock(d.length()),
		wording.Count(d.samples[d.durable]), wording.Count(d.samples[len(d.batches)])), columns)
	for _, m := range l.manoeuvres[max(0, len(l.manoeuvres)-listed):] {
		kind, _, _ := strings.Cut(m.key, " ")
		block = append(block, wrap(kind, m.text, columns)...)
	}
	block = append(block, wrap("likeliest", l.likeliest, columns)...)
	block = append(block, wrap("missing", l.missing, columns)...)
	return append(block, wrap("next", l.next, columns)...)
}

// length is the time of the last sample, in microseconds.
func (d *display) length() int64 {
	if len(d.batches) == 0 {
		return 0
	}
	return taken(d.batches[len(d.batches)-1])
}

// progressLines is a state of a drive in words.
type progressLines struct {
	manoeuvres               []manoeuvreLine
	likeliest, missing, next string
}

// manoeuvreLine is one stretch. The key is the same for the same stretch in every state.
type manoeuvreLine struct{ key, text string }

func lines(p *pb.SessionProgress) progressLines {
	words := wording.For("")
	var l progressLines
	for _, m := range p.GetManoeuvres() {
		kind := "refused"
		if m.GetUsed() {
			kind = "found"
		}
		l.manoeuvres = append(l.manoeuvres, manoeuvreLine{
			key: fmt.Sprintf("%s %d %d", kind, m.GetKind(), m.GetStartUs()),
			text: printable(fmt.Sprintf("%s %s to %s: %s", words.Manoeuvre(m.GetKind()),
				wording.Clock(m.GetStartUs()), wording.Clock(m.GetEndUs()), stretch(words, m))),
		})
	}
	if c := p.GetConditions(); len(c) > 0 {
		l.likeliest = printable(fmt.Sprintf("%s, %s", words.Condition(c[0].GetCondition()), words.Probability(c[0].GetProbability())))
		if p.GetConclusive() {
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
	l.missing = printable(strings.Join(missing, " "))
	l.next = printable(p.GetPrompt())
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

// wrap breaks a text into lines behind a label. Empty text has none.
func wrap(label, text string, columns int) []string {
	indent := ""
	if label != "" {
		indent = strings.Repeat(" ", labelColumns)
	}
	var all []string
	line := fmt.Sprintf("%-*s", len(indent), label)
	empty := true
	for word := range strings.FieldsSeq(text) {
		if !empty && runewidth.StringWidth(line)+1+runewidth.StringWidth(word) > columns {
			all = append(all, line)
			line, empty = indent, true
		}
		if !empty {
			line += " "
		}
		line += runewidth.Truncate(word, max(1, columns-len(indent)), "")
		empty = false
	}
	if empty {
		return all
	}
	return append(all, line)
}

// printable keeps what comes from elsewhere from steering the terminal or faking a line of its own.
func printable(s string) string {
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
