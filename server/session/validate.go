// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/server/assay"
)

// bounds are the ranges that the comments of the messages state; descriptors do not carry
// them. For texts the upper bound counts characters. A test compares both.
var bounds = map[protoreflect.Name]struct{ low, high float64 }{
	"display_name":              {0, 200},
	"displacement_l":            {0.05, 30},
	"cylinders":                 {1, 16},
	"banks":                     {1, 4},
	"fuel_ethanol_percent":      {0, 100},
	"rated_power_rpm":           {1000, 20000},
	"valves_per_cylinder":       {2, 6},
	"external_reference":        {0, 200},
	"altitude_m":                {-430, 6000},
	"ambient_c":                 {-60, 60},
	"relative_humidity_percent": {0, 100},
	"hours_since_run":           {0, 8760},
	"complaint":                 {0, 2000},
	"cleanings":                 {0, 100},
}

// maxInspections bounds the list: there are fewer kinds than that.
const maxInspections = 100

// serverOwned tells whether the server alone writes a field. An etag is not marked in
// the messages, because callers send it back.
func serverOwned(f protoreflect.FieldDescriptor) bool {
	if f.Name() == "etag" {
		return true
	}
	behaviours, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(behaviours, annotations.FieldBehavior_OUTPUT_ONLY) || slices.Contains(behaviours, annotations.FieldBehavior_IDENTIFIER)
}

// callers is a copy of m with nothing but what a caller may set.
func callers[M proto.Message](m M) M {
	r := m.ProtoReflect().New()
	out, _ := r.Interface().(M)
	if m.ProtoReflect().IsValid() {
		proto.Merge(out, m)
	}
	r.SetUnknown(nil)
	for f := range fieldsOf(r) {
		if serverOwned(f) {
			r.Clear(f)
		}
	}
	return out
}

func fieldsOf(m protoreflect.Message) func(yield func(protoreflect.FieldDescriptor) bool) {
	return func(yield func(protoreflect.FieldDescriptor) bool) {
		fields := m.Descriptor().Fields()
		for i := range fields.Len() {
			if !yield(fields.Get(i)) {
				return
			}
		}
	}
}

// check gives ErrInvalid with every field of a vehicle or session, at any depth, that breaks its rule.
func check(m proto.Message) error {
	var c checker
	c.message("", m.ProtoReflect())
	return c.err()
}

type checker struct{ found []Violation }

func (c *checker) err() error {
	if len(c.found) == 0 {
		return nil
	}
	return invalid(c.found...)
}

func (c *checker) addf(field, format string, args ...any) {
	c.found = append(c.found, Violation{field, fmt.Sprintf(format, args...)})
}

func (c *checker) message(prefix string, m protoreflect.Message) {
	for f := range fieldsOf(m) {
		name := prefix + string(f.Name())
		switch {
		case serverOwned(f) || !m.Has(f):
		case f.IsList():
			c.list(name, f, m.Get(f).List())
		case f.Message() != nil:
			c.message(name+".", m.Get(f).Message())
		default:
			c.value(name, f, m.Get(f))
		}
	}
}

func (c *checker) list(name string, f protoreflect.FieldDescriptor, list protoreflect.List) {
	if list.Len() > maxInspections {
		c.addf(name, "has %d entries; expected at most %d", list.Len(), maxInspections)
		return
	}
	if f.Name() == troubleCodes {
		c.codes(name, list)
	}
	for i := range list.Len() {
		at := fmt.Sprintf("%s[%d]", name, i)
		if f.Message() == nil {
			c.value(at, f, list.Get(i))
			continue
		}
		item := list.Get(i).Message()
		for part := range fieldsOf(item) {
			if !item.Has(part) {
				c.addf(at+"."+string(part.Name()), "is missing")
			}
		}
		c.message(at+".", item)
	}
}

// troubleCodes is the field with codes of SAE J2012.
const troubleCodes = "trouble_codes"

func (c *checker) codes(name string, list protoreflect.List) {
	seen := make(map[string]int)
	for i := range list.Len() {
		at, code := fmt.Sprintf("%s[%d]", name, i), list.Get(i).String()
		first, twice := seen[code]
		if _, err := j1979.ParseDTC(code); err != nil {
			c.addf(at, "is %s; expected a code of SAE J2012, such as P0101: P, C, B or U, a digit from 0 to 3, and three of 0 to 9 and A to F", shown(code))
		} else if twice {
			c.addf(at, "is the same as %s[%d]; expected each code once", name, first)
		}
		seen[code] = i
	}
}

func (c *checker) value(name string, f protoreflect.FieldDescriptor, v protoreflect.Value) {
	b, bounded := bounds[f.Name()]
	switch f.Kind() {
	case protoreflect.EnumKind:
		if f.Enum().Values().ByNumber(v.Enum()) == nil {
			c.addf(name, "is %d, which is no value of %s", v.Enum(), f.Enum().Name())
		}
	case protoreflect.StringKind:
		if bounded {
			c.text(name, v.String(), int(b.high))
		}
	case protoreflect.DoubleKind:
		c.number(name, v.Float(), b.low, b.high, bounded)
	case protoreflect.Int32Kind:
		c.number(name, float64(v.Int()), b.low, b.high, bounded)
	}
}

func (c *checker) number(name string, x, low, high float64, bounded bool) {
	switch {
	case math.IsNaN(x) || math.IsInf(x, 0):
		c.addf(name, "is %v; expected a finite number", x)
	case bounded && (x < low || x > high):
		c.addf(name, "is %v; expected %v to %v", x, low, high)
	}
}

func (c *checker) text(name, s string, most int) {
	switch n := utf8.RuneCountInString(s); {
	case n > most:
		c.addf(name, "has %d characters; expected at most %d", n, most)
	case !utf8.ValidString(s) || strings.ContainsRune(s, 0):
		c.addf(name, "is %s; expected text in UTF-8 without zero bytes", shown(s))
	}
}

const (
	// maxPath is the most bytes of a VSS path; the longest standard one has about 80.
	maxPath = 300
	// maxUnit is the most bytes of a unit.
	maxUnit = 50
)

// checkCapture gives ErrInvalid with what breaks its rule, or ErrWrongUnit.
func checkCapture(c *pb.Capture) error {
	var k checker
	if n := len(c.GetSignals()); n < 1 || n > MaxSignals {
		return invalid(Violation{"signals", fmt.Sprintf("has %d entries; expected 1 to %d", n, MaxSignals)})
	}
	if _, known := pb.ClockKind_name[int32(c.GetClock())]; !known || c.GetClock() == pb.ClockKind_CLOCK_KIND_UNSPECIFIED {
		k.addf("clock", "is %s; expected what the times rest on", c.GetClock())
	}
	if t := c.GetAnchorTime(); t != nil && t.CheckValid() != nil {
		k.addf("anchor_time", "is no time: %v", t.CheckValid())
	}
	for i, s := range c.GetSignals() {
		k.signal(fmt.Sprintf("signals[%d].", i), s)
	}
	if err := k.err(); err != nil {
		return err
	}
	return checkUnits(c)
}

func (c *checker) signal(prefix string, s *pb.SignalDefinition) {
	if path := s.GetPath(); path == "" || len(path) > maxPath {
		c.addf(prefix+"path", "has %d bytes; expected 1 to %d", len(path), maxPath)
	}
	if unit := s.GetUnit(); len(unit) > maxUnit {
		c.addf(prefix+"unit", "has %d bytes; expected at most %d", len(unit), maxUnit)
	}
	if s != nil && s.Resolution != nil && !(s.GetResolution() > 0 && s.GetResolution() <= math.MaxFloat64) {
		c.addf(prefix+"resolution", "is %v; expected a finite number above 0, or none", s.GetResolution())
	}
	if s.GetTimeUncertaintyUs() < 0 {
		c.addf(prefix+"time_uncertainty_us", "is %d; expected 0 or more", s.GetTimeUncertaintyUs())
	}
	if s != nil && s.RefreshIntervalUs != nil && s.GetRefreshIntervalUs() <= 0 {
		c.addf(prefix+"refresh_interval_us", "is %d; expected more than 0, or none", s.GetRefreshIntervalUs())
	}
}

// checkUnits asks the assay, one signal at a time, so that the error can say which it is.
func checkUnits(c *pb.Capture) error {
	a := assay.New(assay.NoFacts())
	var wrong *Error
	for i, def := range definitions(c) {
		err := a.Declare(int32(i), assay.ClockUnspecified, []assay.SignalDef{def})
		if err == nil {
			continue
		}
		if wrong == nil {
			wrong = &Error{Reason: pb.ErrorReason_ERROR_REASON_WRONG_UNIT, Message: "convert the values, or correct the unit", Metadata: map[string]string{
				"path": def.Path, "unit": def.Unit, "expected_unit": assay.SignalPaths()[def.Path],
			}}
		}
		wrong.Violations = append(wrong.Violations, Violation{fmt.Sprintf("signals[%d].unit", i), "is wrong: " + err.Error()})
	}
	if wrong == nil {
		return nil
	}
	return wrong
}
