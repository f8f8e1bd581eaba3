// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package page

import (
	"strings"

	"github.com/clipperhouse/uax29/v2/graphemes"
)

// wrap breaks text into lines of at most first columns for the first line and
// rest for the others. A number stays with its unit; a word that is longer than
// a line is broken, behind a dot or a slash where it has one. The result has no
// empty lines; empty text gives none.
func wrap(text string, first, rest int) []string {
	var lines []string
	line, room := "", max(first, 1)
	flush := func() {
		if line != "" {
			lines = append(lines, line)
			line, room = "", max(rest, 1)
		}
	}
	for _, word := range words(text) {
		if line != "" && cells.StringWidth(line)+1+cells.StringWidth(word) > room {
			flush()
		}
		if line != "" {
			line += " " + word
			continue
		}
		for cells.StringWidth(word) > room {
			line, word = breakWord(word, room)
			flush()
		}
		line = word
	}
	flush()
	return lines
}

// units stay on the line of their number.
var units = map[string]bool{
	"%": true, "g/s": true, "kPa": true, "K": true, "L": true, "V": true, "s": true,
	"°C": true, "degC": true, "deg": true, "rpm": true, "min": true, "h": true, "m": true, "km/h": true, "l/h": true, "degrees": true,
}

// words splits text at spaces, except between a number and what belongs to it.
func words(text string) []string {
	fields := strings.Fields(text)
	var joined []string
	for _, field := range fields {
		if n := len(joined); n > 0 && belongs(joined[n-1], field) {
			joined[n-1] += " " + field
			continue
		}
		joined = append(joined, field)
	}
	return joined
}

func belongs(before, word string) bool {
	if strings.HasSuffix(before, "<") || strings.HasSuffix(before, ">") {
		return true
	}
	if !endsInDigit(before) {
		return false
	}
	return thousands(word) || units[strings.Trim(word, "(),.:;")] || strings.HasPrefix(word, "±") || strings.HasPrefix(word, "+/-")
}

// thousands reports whether a word is a group of three digits of a number.
func thousands(word string) bool {
	word = strings.TrimRight(word, "(),.:;")
	return len(word) == 3 && strings.Trim(word, "0123456789") == ""
}

func endsInDigit(s string) bool {
	last := s[len(s)-1]
	return last >= '0' && last <= '9'
}

// breakWord cuts what fits into width columns off a word; at least one character.
func breakWord(word string, width int) (head, tail string) {
	used, cut, soft := 0, 0, 0
	for g := graphemes.FromString(word); g.Next(); {
		w := cells.StringWidth(g.Value())
		if used+w > width && cut > 0 {
			break
		}
		used += w
		cut = g.End()
		switch g.Value() {
		case ".", "/", "-", "_", ",", " ":
			soft = cut
		}
	}
	if soft > cut/2 && cut < len(word) {
		cut = soft
	}
	return strings.TrimRight(word[:cut], " "), strings.TrimLeft(word[cut:], " ")
}
