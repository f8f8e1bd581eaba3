// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// term is one comparison of a filter, with the columns (from 1, in characters) where it and its value begin.
type term struct {
	name, value     string
	column, valueAt int
}

// parseFilter reads the subset of AIP-160 that lists take: name = value, joined by AND, each name
// once. A value is a word or stands in double quotes, where a backslash takes the next character as it is.
func parseFilter(text string, names ...string) (map[string]term, error) {
	s := filterScanner{text: text}
	terms := make(map[string]term)
	for s.skipSpace(); !s.done(); s.skipSpace() {
		if len(terms) > 0 {
			if at, word := s.at(), s.word(); word != "AND" {
				return nil, s.fault(at, word, "AND")
			}
		}
		t, err := s.term(names)
		if err != nil {
			return nil, err
		}
		if _, twice := terms[t.name]; twice {
			return nil, s.fault(t.column, t.name, "each name once")
		}
		terms[t.name] = t
	}
	return terms, nil
}

type filterScanner struct {
	text string
	pos  int
}

func (s *filterScanner) done() bool { return s.pos >= len(s.text) }

func (s *filterScanner) at() int { return utf8.RuneCountInString(s.text[:s.pos]) + 1 }

func (s *filterScanner) skipSpace() {
	for !s.done() && strings.ContainsRune(" \t\r\n", rune(s.text[s.pos])) {
		s.pos++
	}
}

func isWordByte(b byte) bool {
	return b >= 'a' && b <= 'z' || b >= 'A' && b <= 'Z' || b >= '0' && b <= '9' || strings.IndexByte("_-./", b) >= 0
}

func (s *filterScanner) word() string {
	s.skipSpace()
	start := s.pos
	for !s.done() && isWordByte(s.text[s.pos]) {
		s.pos++
	}
	return s.text[start:s.pos]
}

func (s *filterScanner) fault(column int, found, expected string) error {
	if found == "" {
		found = "nothing of the kind"
		if column <= utf8.RuneCountInString(s.text) {
			found = shown(string([]rune(s.text)[column-1]))
		}
	} else {
		found = shown(found)
	}
	return invalid(Violation{"filter", fmt.Sprintf("has %s in column %d; expected %s", found, column, expected)})
}

func (s *filterScanner) term(names []string) (term, error) {
	s.skipSpace()
	t := term{column: s.at()}
	t.name = s.word()
	known := false
	for _, name := range names {
		known = known || name == t.name
	}
	if !known {
		return t, s.fault(t.column, t.name, "one of "+strings.Join(names, ", "))
	}
	s.skipSpace()
	if s.done() || s.text[s.pos] != '=' {
		return t, s.fault(s.at(), "", "=")
	}
	s.pos++
	s.skipSpace()
	t.valueAt = s.at()
	var err error
	t.value, err = s.value()
	return t, err
}

func (s *filterScanner) value() (string, error) {
	start := s.at()
	if s.done() || s.text[s.pos] != '"' {
		word := s.word()
		if word == "" {
			return "", s.fault(start, "", "a word, or text in double quotes")
		}
		return word, nil
	}
	var b strings.Builder
	for s.pos++; !s.done(); s.pos++ {
		switch c := s.text[s.pos]; c {
		case '"':
			s.pos++
			if b.Len() == 0 {
				return "", s.fault(start, "", "text that is not empty between the quotes")
			}
			return b.String(), nil
		case '\\':
			if s.pos++; s.done() {
				continue
			}
			b.WriteByte(s.text[s.pos])
		default:
			b.WriteByte(c)
		}
	}
	return "", s.fault(start, "", "a closing double quote")
}
