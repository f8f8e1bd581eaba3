// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package nearest finds the known word that a misspelt one most likely meant, so
// that a refusal can say so.
package nearest

import "strings"

// longest is the length, in bytes, beyond which a word is not compared at all: no
// name of ours is longer, and the work grows with the square of it.
const longest = 128

// Word returns the candidate nearest to word, or "" when none is near: more than
// a third of the letters would have to change. Case does not count. The first of
// equally near candidates wins.
func Word(word string, candidates []string) string {
	word = strings.ToLower(word)
	if word == "" || len(word) > longest {
		return ""
	}
	best, bestDistance := "", len(word)/3+1
	for _, c := range candidates {
		if d := Distance(word, strings.ToLower(c), bestDistance); d < bestDistance {
			best, bestDistance = c, d
		}
	}
	return best
}

// Distance counts the insertions, deletions, replacements and swaps of neighbours
// that turn a into b, byte by byte. It returns at least limit as soon as limit is
// reached.
func Distance(a, b string, limit int) int {
	if len(a)-len(b) >= limit || len(b)-len(a) >= limit || len(a) > longest || len(b) > longest {
		return limit
	}
	var rows [3][longest + 1]int
	before, last, now := &rows[0], &rows[1], &rows[2]
	for j := range len(b) + 1 {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		now[0] = i
		least := i
		for j := 1; j <= len(b); j++ {
			d := min(last[j]+1, now[j-1]+1, last[j-1]+differ(a[i-1], b[j-1]))
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d = min(d, before[j-2]+1)
			}
			now[j] = d
			least = min(least, d)
		}
		if least >= limit {
			return limit
		}
		before, last, now = last, now, before
	}
	return last[len(b)]
}

func differ(a, b byte) int {
	if a == b {
		return 0
	}
	return 1
}
