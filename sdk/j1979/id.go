// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

// ID numbers a signal: Signals()[id]. Numbers differ between versions of this
// package; what is kept or sent carries the path.
type ID uint16

// Value is what an answer says of a signal.
type Value struct {
	Signal ID
	// Value is in the signal's unit.
	Value float64
}

// FindID finds a signal's number by its full path or its short name. Case counts.
func FindID(name string) (ID, bool) {
	i, ok := index[name]
	return ID(i), ok
}

// Signal describes the signal; the zero Signal for a number that has none.
func (id ID) Signal() Signal {
	if int(id) >= len(table) {
		return Signal{}
	}
	return table[id]
}

// Path is the full VSS path; empty for a number that has none.
func (id ID) Path() string {
	if int(id) >= len(table) {
		return ""
	}
	return table[id].Path
}

// String is Path.
func (id ID) String() string { return id.Path() }

// Carrier finds the parameter to ask for the signal among those that a control
// unit supports; false if it has none.
func (id ID) Carrier(s *Support) (pid byte, ok bool) {
	if int(id) >= len(table) {
		return 0, false
	}
	for _, pid := range [2]byte{table[id].PID, table[id].AlternativePID} {
		if pid != 0 && s.Has(pid) {
			return pid, true
		}
	}
	return 0, false
}

// SignalsOf lists the signals that a parameter carries, in the order of their
// bytes; nil if none. The caller owns the slice.
func SignalsOf(pid byte) []ID {
	var ids []ID
	for i := range parameters[pid].fields {
		ids = append(ids, parameters[pid].fields[i].id)
	}
	return ids
}
