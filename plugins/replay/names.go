// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"unicode"
)

const (
	// maxID is the contract's limit for a device's id.
	maxID = 60
	// hashDigits of a name's hash tell names apart that differ only in what an id cannot hold.
	hashDigits = 8
)

// idOf makes a device's id of a name in the folder. It depends on nothing but the name, so that an id means the same
// recording whatever else comes into the folder or goes, and after a restart. A name that is an id already stays as it
// is; any other is folded and gets a hyphen and part of its hash. Names that look as if they had been folded are folded
// as well, so that none is mistaken for another's id.
func idOf(name string) string {
	if isID(name) && !endsInHash(name) {
		return name
	}
	sum := sha256.Sum256([]byte(name))
	const rest = maxID - 1 - hashDigits
	folded := fold(name)
	return folded[:min(len(folded), rest)] + "-" + hex.EncodeToString(sum[:])[:hashDigits]
}

func inID(c byte) bool {
	return 'a' <= c && c <= 'z' || '0' <= c && c <= '9' || c == '-' || c == '.'
}

func isID(name string) bool {
	for i := range len(name) {
		if !inID(name[i]) {
			return false
		}
	}
	return name != "" && len(name) <= maxID
}

func endsInHash(name string) bool {
	at := len(name) - hashDigits
	return at > 0 && name[at-1] == '-' && strings.Trim(name[at:], "0123456789abcdef") == ""
}

// fold writes small letters for capitals, and one hyphen for each stretch of what an id cannot hold.
func fold(name string) string {
	var b strings.Builder
	for i := range len(name) {
		c := name[i]
		switch {
		case 'A' <= c && c <= 'Z':
			c += 'a' - 'A'
		case !inID(c):
			c = '-'
		}
		if c != '-' || b.Len() == 0 || inID(name[i]) || b.String()[b.Len()-1] != '-' {
			b.WriteByte(c)
		}
	}
	return b.String()
}

// shown makes a name fit for people and for the wire: what is no text, or would not be seen, becomes a mark.
func shown(name string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return unicode.ReplacementChar
		}
		return r
	}, strings.ToValidUTF8(name, string(unicode.ReplacementChar)))
}
