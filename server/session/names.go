// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"crypto/rand"
	"encoding/base32"
	"fmt"
	"strconv"
	"strings"

	"github.com/airassay/airassay/server/store"
)

// Kinds of facts.
const (
	kindVehicle store.Kind = "vehicle"
	kindSession store.Kind = "session"
	kindCapture store.Kind = "capture"
	kindVerdict store.Kind = "verdict"
)

// States of facts, as lists are filtered by them.
const (
	stateOpen     = "OPEN"
	stateClosed   = "CLOSED"
	stateFinished = "FINISHED"
)

// maxID is the most characters of an id.
const maxID = 40

var idEncoding = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

// newID gives 120 random bits in 24 characters: nobody guesses one, and no two are the same.
func newID() string {
	var raw [15]byte
	_, _ = rand.Read(raw[:]) // Documented never to fail.
	return idEncoding.EncodeToString(raw[:])
}

func isID(s string) bool {
	if s == "" || len(s) > maxID {
		return false
	}
	for _, r := range s {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') {
			return false
		}
	}
	return true
}

// topID is the id in collection/id.
func topID(field, collection, name string) (string, error) {
	id, ok := strings.CutPrefix(name, collection+"/")
	if !ok || !isID(id) {
		return "", badName(field, name, collection+"/{id}")
	}
	return id, nil
}

// innerID is both ids in sessions/s/collection/id.
func innerID(field, collection, name string) (session, id string, err error) {
	parts := strings.Split(name, "/")
	if len(parts) != 4 || parts[0] != "sessions" || parts[2] != collection || !isID(parts[1]) || !isID(parts[3]) {
		return "", "", badName(field, name, "sessions/{id}/"+collection+"/{id}")
	}
	return parts[1], parts[3], nil
}

func badName(field, name, want string) error {
	return invalid(Violation{field, fmt.Sprintf("is %s; expected %s with ids of 1 to %d small letters and digits", shown(name), want, maxID)})
}

// shownBytes is how much of a caller's text an error repeats.
const shownBytes = 60

func shown(s string) string {
	if len(s) > shownBytes {
		return strconv.Quote(strings.ToValidUTF8(s[:shownBytes], "")) + "…"
	}
	return strconv.Quote(s)
}

func vehicleName(id string) string          { return "vehicles/" + id }
func sessionName(id string) string          { return "sessions/" + id }
func captureName(session, id string) string { return "sessions/" + session + "/captures/" + id }
func verdictName(session, id string) string { return "sessions/" + session + "/verdicts/" + id }

// etagOf changes with every change of a fact, and is never the same for two facts.
func etagOf(f store.Fact) string {
	return strconv.FormatInt(f.Serial, 36) + "-" + strconv.FormatInt(f.Version, 36)
}
