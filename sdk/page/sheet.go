// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package page

import (
	"strings"
	"unicode"

	"github.com/mattn/go-runewidth"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page/wording"
)

// Terminal attributes (ECMA-48, select graphic rendition). Each only repeats
// what position or wording already says.
const (
	attributeBold  = "\x1b[1m"
	attributeFaint = "\x1b[2m"
	attributeOff   = "\x1b[0m"
)

// cells measures display width the same way on every machine; the package's
// default would follow the environment and make the page depend on it.
var cells = &runewidth.Condition{EastAsianWidth: false, StrictEmojiNeutral: true}

// glyphs are the characters that a page draws with; each is one column wide.
type glyphs struct {
	rule, bullet, caution, dot, nothing, to string

	point, interval, zero              rune
	axis, axisZero, corner, base, tick rune
	bars                               []rune // from the thinnest to a full column
}

var (
	unicodeGlyphs = glyphs{
		rule: "─", bullet: "•", caution: "!", dot: ".", nothing: "–", to: "–",
		point: '●', interval: '│', zero: '┄',
		axis: '┤', axisZero: '┼', corner: '└', base: '─', tick: '┬',
		bars: []rune("▏▎▍▌▋▊▉█"),
	}
	asciiGlyphs = glyphs{
		rule: "-", bullet: "*", caution: "!", dot: ".", nothing: "-", to: "-",
		point: 'o', interval: '|', zero: '-',
		axis: '|', axisZero: '+', corner: '+', base: '-', tick: '+',
		bars: []rune("#"),
	}
)

// sheet collects the lines of one page.
type sheet struct {
	o      Options
	width  int
	words  wording.Catalogue
	labels wording.Labels
	glyphs glyphs
	style  string

	toldManoeuvres  map[pb.ManoeuvreKind]bool
	toldInspections map[pb.Inspection]bool

	b strings.Builder
}

func newSheet(o Options) *sheet {
	s := &sheet{o: o, width: o.Width, words: wording.For(o.Language), glyphs: unicodeGlyphs,
		toldManoeuvres: map[pb.ManoeuvreKind]bool{}, toldInspections: map[pb.Inspection]bool{}}
	if s.width == 0 {
		s.width = DefaultWidth
	}
	s.width = min(max(s.width, MinWidth), MaxWidth)
	s.labels = s.words.Labels()
	if o.ASCII {
		s.glyphs = asciiGlyphs
	}
	return s
}

func (s *sheet) String() string { return s.b.String() }

// line writes one line as it is; the caller has folded it and seen to its width.
func (s *sheet) line(text string) {
	text = strings.TrimRight(text, " ")
	if s.style != "" && text != "" {
		text = s.style + text + attributeOff
	}
	s.b.WriteString(text)
	s.b.WriteByte('\n')
}

func (s *sheet) blank() { s.b.WriteByte('\n') }

func (s *sheet) styled(attribute string, write func()) {
	if !s.o.Colour {
		write()
		return
	}
	s.style = attribute
	write()
	s.style = ""
}

func (s *sheet) dim(write func()) { s.styled(attributeFaint, write) }

func (s *sheet) headline(text string) {
	s.styled(attributeBold, func() { s.para(0, 0, text) })
}

func (s *sheet) heading(title string) {
	s.blank()
	title = s.fold(wording.Capital(title))
	s.styled(attributeBold, func() {
		rule := s.width - cells.StringWidth(title) - 1
		if rule < 0 {
			s.para(0, 0, title)
			return
		}
		s.line(title + " " + strings.Repeat(s.glyphs.rule, rule))
	})
}

// para wraps text; its first line is indented by indent, the others by hang.
func (s *sheet) para(indent, hang int, text string) {
	for i, line := range wrap(s.fold(text), s.width-indent, s.width-hang) {
		if i == 0 {
			s.line(strings.Repeat(" ", indent) + line)
		} else {
			s.line(strings.Repeat(" ", hang) + line)
		}
	}
}

// item is a text that hangs behind a short mark of at least the given width.
func (s *sheet) item(mark string, width int, text string) {
	const indent = 2
	mark = padRight(s.fold(mark), width) + " "
	hang := indent + cells.StringWidth(mark)
	if hang > s.width/2 {
		s.para(indent, 2*indent, mark+text)
		return
	}
	for i, line := range wrap(s.fold(text), s.width-hang, s.width-hang) {
		if i == 0 {
			s.line(strings.Repeat(" ", indent) + mark + line)
		} else {
			s.line(strings.Repeat(" ", hang) + line)
		}
	}
}

func (s *sheet) bullet(text string) { s.para(2, 4, s.glyphs.bullet+" "+text) }

func (s *sheet) caution(text string) { s.para(5, 7, s.glyphs.caution+" "+text) }

// dotted is a text on the left and a short value on the right, joined by dots.
func (s *sheet) dotted(indent int, left, right string) {
	const readable = 72 // farther right, the eye loses the line
	width := min(s.width, readable)
	left, right = s.fold(wording.Capital(left)), s.fold(right)
	if right == "" {
		s.para(indent, indent+2, left)
		return
	}
	room := width - cells.StringWidth(right) - 4
	lines := wrap(left, room-indent, room-indent-2)
	for i, line := range lines {
		margin := indent
		if i > 0 {
			margin += 2
		}
		text := strings.Repeat(" ", margin) + line
		if i == len(lines)-1 {
			dots := width - cells.StringWidth(text) - cells.StringWidth(right) - 2
			text += " " + strings.Repeat(s.glyphs.dot, max(dots, 1)) + " " + right
		}
		s.line(text)
	}
}

// columns writes rows whose cells are short, each column as wide as its widest
// cell and aligned to the right.
func (s *sheet) columns(indent int, rows [][]string) {
	var widths []int
	for _, row := range rows {
		for i, cell := range row {
			row[i] = s.fold(cell)
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], cells.StringWidth(row[i]))
		}
	}
	for _, row := range rows {
		var text strings.Builder
		text.WriteString(strings.Repeat(" ", indent))
		for i, cell := range row {
			if i > 0 {
				text.WriteString("   ")
			}
			text.WriteString(padLeft(cell, widths[i]))
		}
		s.line(truncate(text.String(), s.width))
	}
}

type evidenceRow struct{ name, measured, expected, leans string }

// evidenceRows writes a table where the page is wide enough for one, and two
// lines for each row where it is not.
func (s *sheet) evidenceRows(rows []evidenceRow) {
	const (
		indent, gap = 2, 2
		leastName   = 32 // narrower, most names would take three lines
	)
	head := evidenceRow{"", s.fold(s.labels.Measured), s.fold(s.labels.Expected), s.fold(s.labels.Leans)}
	wm, we, wl := cells.StringWidth(head.measured), cells.StringWidth(head.expected), cells.StringWidth(head.leans)
	for i, r := range rows {
		r = evidenceRow{s.fold(wording.Capital(r.name)), s.fold(r.measured), s.fold(r.expected), s.fold(r.leans)}
		rows[i] = r
		wm, we, wl = max(wm, cells.StringWidth(r.measured)), max(we, cells.StringWidth(r.expected)), max(wl, cells.StringWidth(r.leans))
	}
	name := s.width - indent - wm - we - wl - 3*gap
	if name < leastName {
		s.stackedEvidence(rows)
		return
	}
	for _, r := range append([]evidenceRow{head}, rows...) {
		lines := wrap(r.name, name, name-2)
		if len(lines) == 0 {
			lines = []string{""}
		}
		s.line(strings.Repeat(" ", indent) + padRight(lines[0], name+gap) + padLeft(r.measured, wm) + "  " + padLeft(r.expected, we) + "  " + r.leans)
		for _, line := range lines[1:] {
			s.line(strings.Repeat(" ", indent+2) + line)
		}
	}
}

func (s *sheet) stackedEvidence(rows []evidenceRow) {
	for _, r := range rows {
		s.para(2, 4, r.name)
		s.para(4, 6, s.labels.Measured+" "+r.measured+", "+s.labels.Expected+" "+r.expected+": "+r.leans)
	}
}

// fold makes text safe and fit for the terminal: one line, valid UTF-8, no
// control or invisible formatting characters, and ASCII where that is asked for.
func (s *sheet) fold(text string) string {
	var b strings.Builder
	for _, r := range strings.ToValidUTF8(text, "\uFFFD") {
		switch {
		case unicode.IsSpace(r):
			b.WriteByte(' ')
		case unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Co, unicode.Cs):
			b.WriteString(s.foldRune('\uFFFD'))
		default:
			b.WriteString(s.foldRune(r))
		}
	}
	return b.String()
}

var asciiSpelling = map[rune]string{
	'−': "-", '–': "-", '—': "-", '±': "+/-", '°': "deg ", '∞': "inf",
	'’': "'", '‘': "'", '“': `"`, '”': `"`, '·': "*", '•': "*", '…': "...",
}

func (s *sheet) foldRune(r rune) string {
	if !s.o.ASCII || r < unicode.MaxASCII {
		return string(r)
	}
	if spelling, ok := asciiSpelling[r]; ok {
		return spelling
	}
	return "?"
}

func padRight(text string, width int) string {
	return text + strings.Repeat(" ", max(width-cells.StringWidth(text), 0))
}

func padLeft(text string, width int) string {
	return strings.Repeat(" ", max(width-cells.StringWidth(text), 0)) + text
}

func truncate(text string, width int) string {
	return cells.Truncate(text, width, "")
}
