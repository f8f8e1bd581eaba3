// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"bytes"
	"io"
	"strings"
)

// layout is where things stand in a file.
type layout struct {
	encoding   Encoding
	ascii      bool // nothing beyond ASCII in the part that was looked at
	separator  byte
	headerLine int
	dataLine   int
	header     []string
	units      []string // of the row of units, by column; nil where there is none
}

// layoutLines is how many lines decide the layout.
const layoutLines = 200

// line is one line of the start of a file that is not blank.
type headLine struct {
	number int
	text   []byte
	cells  [][]byte
}

func sniffLayout(head []byte, truncated bool, name string) (layout, error) {
	l := layout{encoding: sniffEncoding(head, truncated)}
	l.ascii = bytes.IndexFunc(head, func(r rune) bool { return r >= 0x80 }) < 0
	lines, err := headLines(head, truncated, name, l.encoding)
	if err != nil {
		return l, err
	}
	l.separator = sniffSeparator(lines)
	for i := range lines {
		lines[i].cells = splitLine(lines[i].text, l.separator)
	}
	return l, l.findHeader(lines, name)
}

func headLines(head []byte, truncated bool, name string, e Encoding) ([]headLine, error) {
	in, err := decode(bytes.NewReader(head), name, e)
	if err != nil {
		return nil, err
	}
	text, err := io.ReadAll(in)
	if err != nil && !truncated {
		return nil, err
	}
	if at := bytes.IndexByte(text, 0); at >= 0 {
		line := 1 + bytes.Count(text[:at], []byte{'\n'})
		return nil, &Error{File: name, Line: line, Kind: KindBinary, Got: "a NUL byte", Expected: "a text table", Hint: "choose the text file that the logger exports"}
	}
	var lines []headLine
	for number := 1; len(text) > 0 && len(lines) < layoutLines; number++ {
		line, rest, whole := bytes.Cut(text, []byte{'\n'})
		if !whole && truncated {
			break
		}
		text = rest
		line = bytes.TrimSuffix(line, []byte{'\r'})
		if len(bytes.TrimSpace(line)) > 0 {
			lines = append(lines, headLine{number: number, text: line})
		}
	}
	if len(lines) == 0 {
		return nil, &Error{File: name, Line: 1, Kind: KindLineTooLong, Got: "no line end in the first 1 MiB", Expected: "lines of at most 1 MiB", Hint: "check that the file is a text table with one row a line"}
	}
	return lines, nil
}

// splitLine splits one line tolerantly; a line with broken quotes has no cells.
func splitLine(text []byte, separator byte) [][]byte {
	s := records{separator: separator, raw: text}
	if s.split() != nil {
		return nil
	}
	for len(s.cells) > 1 && len(bytes.TrimSpace(s.cells[len(s.cells)-1])) == 0 {
		s.cells = s.cells[:len(s.cells)-1]
	}
	return s.cells
}

// sniffSeparator takes the separator that gives most lines the same number of cells,
// and the most cells where that does not decide.
func sniffSeparator(lines []headLine) byte {
	best, bestLines, bestCells := byte(','), 0, 0
	for _, sep := range []byte(",;\t|") {
		counts := map[int]int{}
		for _, l := range lines {
			counts[1+countOutsideQuotes(l.text, sep)]++
		}
		most, cells := 0, 0
		for c, n := range counts {
			if c > 1 && (n > most || n == most && c > cells) {
				most, cells = n, c
			}
		}
		// Each line counts double; a header with one separator less than its rows, or one
		// more, counts a little.
		most *= 2
		if cells > 2 {
			most += min(max(counts[cells-1], counts[cells+1]), 1)
		}
		if most > bestLines || most == bestLines && cells > bestCells {
			best, bestLines, bestCells = sep, most, cells
		}
	}
	return best
}

func countOutsideQuotes(text []byte, sep byte) (n int) {
	inside := false
	for _, c := range text {
		if c == '"' {
			inside = !inside
		} else if c == sep && !inside {
			n++
		}
	}
	return n
}

// findHeader finds the header above the first row of data, and a row of units beside
// it.
func (l *layout) findHeader(lines []headLine, name string) error {
	first := 0
	for first < len(lines) && !isData(lines[first].cells) {
		first++
	}
	header, known := bestHeader(lines[:first])
	if header < 0 || first == len(lines) && known == 0 {
		e := &Error{File: name, Line: lines[0].number, Kind: KindNoHeader, Got: quoted(lines[0].text), Expected: "a header row with the names of the columns above the first row of numbers", Hint: "add a header row, or choose another file"}
		if first == len(lines) {
			e.Expected = "a table: a header row and rows of numbers"
		}
		return e
	}
	if first == len(lines) {
		return &Error{File: name, Line: lines[header].number, Kind: KindHeaderOnly, Expected: "rows of numbers below the header", Hint: "record again; the recording was stopped before its first row"}
	}
	l.headerLine, l.dataLine = lines[header].number, lines[first].number
	for _, c := range lines[header].cells {
		l.header = append(l.header, string(bytes.TrimSpace(c)))
	}
	l.findUnits(lines[:first], header)
	if header+1 == first {
		l.dataLine = l.headerLine + 1
	}
	return nil
}

// isData tells whether at least half of the filled cells are numbers or times.
func isData(cells [][]byte) bool {
	filled, data := 0, 0
	for _, c := range cells {
		c = bytes.TrimSpace(c)
		if len(c) == 0 {
			continue
		}
		filled++
		if c[0] == '#' {
			return false
		}
		if isValue(c) {
			data++
		}
	}
	return data > 0 && 2*data >= filled
}

func isValue(c []byte) bool {
	for _, mark := range []byte(".,") {
		if _, ok := parseNumber(c, mark); ok {
			return true
		}
	}
	digits, unit := splitUnit(c)
	if len(digits) > 0 && len(unit) > 0 && len(unit) <= longestUnit && isUnit(string(unit)) {
		return true
	}
	if _, ok := parseTimeOfDay(c); ok {
		return true
	}
	_, ok := parseDateTime(c)
	return ok
}

// bestHeader returns the row that names most signals and how many, else the last row
// with as many cells as any, −1 for none.
func bestHeader(rows []headLine) (best, bestScore int) {
	best = -1
	for i := max(0, len(rows)-headerLines); i < len(rows); i++ {
		row := rows[i]
		score := 0
		for _, c := range row.cells {
			if namesSomething(string(c)) {
				score++
			}
		}
		if score > bestScore || score == bestScore && score > 0 && len(row.cells) > len(rows[best].cells) {
			best, bestScore = i, score
		}
	}
	if best >= 0 {
		return best, bestScore
	}
	for i, row := range rows {
		if len(row.cells) > 0 && !isComment(row) && !isUnitRow(row.cells) && (best < 0 || len(row.cells) >= len(rows[best].cells)) {
			best = i
		}
	}
	return best, 0
}

// headerLines is how far above the first data a header is looked for by its names.
const headerLines = 30

// namesSomething tells whether a cell may head a signal or a clock.
func namesSomething(cell string) bool {
	if len(cell) == 0 || len(cell) > longestHeader {
		return false
	}
	m := matchHeader(cell)
	return m.quality >= bySynonym || m.quality == noMatch && hasClockWord(cell)
}

func isComment(row headLine) bool {
	text := strings.TrimSpace(string(row.text[:min(len(row.text), 8)]))
	return strings.HasPrefix(text, "#") || strings.HasPrefix(text, "//") || strings.HasPrefix(text, "%")
}

func (l *layout) findUnits(rows []headLine, header int) {
	for _, at := range []int{header + 1, header - 1} {
		if at < 0 || at >= len(rows) || !isUnitRow(rows[at].cells) {
			continue
		}
		l.units = make([]string, len(l.header))
		for i, c := range rows[at].cells {
			if i < len(l.units) {
				l.units[i] = strings.Trim(string(bytes.TrimSpace(c)), "()[]{}")
			}
		}
		return
	}
}

// isUnitRow tells whether most filled cells are units.
func isUnitRow(cells [][]byte) bool {
	filled, unit := 0, 0
	for _, c := range cells {
		text := strings.Trim(string(bytes.TrimSpace(c)), "()[]{}-")
		if text == "" {
			continue
		}
		filled++
		if len(text) <= longestUnit && isUnit(text) {
			unit++
		}
	}
	return unit > 0 && 10*unit >= 7*filled
}
