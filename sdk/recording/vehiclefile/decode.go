// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package vehiclefile

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	airassayv1beta1 "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording/internal/nearest"
	"github.com/airassay/airassay/sdk/recording/internal/strictjson"
)

// bounds are the ranges that the comments of the messages state; descriptors do not
// carry them. For texts the upper bound counts characters. A test compares both.
var bounds = map[string]struct{ low, high float64 }{
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

// serverOwned tells whether the server alone writes a field. Its etag is not marked in
// the message, because callers send it back.
func serverOwned(f protoreflect.FieldDescriptor) bool {
	if f.Name() == "etag" {
		return true
	}
	behaviours, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(behaviours, annotations.FieldBehavior_OUTPUT_ONLY) || slices.Contains(behaviours, annotations.FieldBehavior_IDENTIFIER)
}

// decoder fills messages from a tree and remembers where each fact stood.
type decoder struct {
	file   string
	places map[string]*strictjson.Node
}

func (d *decoder) fault(key string, n *strictjson.Node, got, expected, hint string) error {
	return &Error{File: d.file, Line: n.Line, Column: n.Column, Key: key, Got: got, Expected: expected, Hint: hint}
}

func (d *decoder) facts(root *strictjson.Node, vehicle *airassayv1beta1.Vehicle, day *airassayv1beta1.DayConditions) error {
	d.places = map[string]*strictjson.Node{}
	if err := d.object(root, vehicle.ProtoReflect(), day.ProtoReflect()); err != nil {
		return err
	}
	return d.contradictions(vehicle, day)
}

// object fills whichever message has the key.
func (d *decoder) object(n *strictjson.Node, messages ...protoreflect.Message) error {
	if n.Kind != strictjson.Object {
		return d.fault("", n, n.Kind.String(), "keys with values", "correct the file")
	}
	for _, m := range n.Members {
		place := &strictjson.Node{Line: m.Line, Column: m.Column}
		message, field := find(m.Key, messages)
		switch {
		case field == nil:
			return d.unknown(m.Key, place, messages)
		case serverOwned(field):
			return d.fault(m.Key, place, "a key that the server alone writes", "facts about the vehicle and the day", "remove the key")
		}
		d.places[m.Key] = m.Value
		if err := d.field(message, field, m.Value); err != nil {
			return err
		}
	}
	return nil
}

func find(key string, messages []protoreflect.Message) (protoreflect.Message, protoreflect.FieldDescriptor) {
	for _, m := range messages {
		if f := m.Descriptor().Fields().ByName(protoreflect.Name(key)); f != nil {
			return m, f
		}
	}
	return nil, nil
}

func (d *decoder) unknown(key string, place *strictjson.Node, messages []protoreflect.Message) error {
	known := keys(messages)
	hint := "remove the key"
	if near := nearest.Word(key, known); near != "" {
		hint = "did you mean " + near + "?"
	}
	return d.fault("", place, "the unknown key "+shown(key), "one of "+strings.Join(known, ", "), hint)
}

// keys lists what may stand in a file, in the order of the messages.
func keys(messages []protoreflect.Message) []string {
	var out []string
	for _, m := range messages {
		fields := m.Descriptor().Fields()
		for i := range fields.Len() {
			if f := fields.Get(i); !serverOwned(f) {
				out = append(out, string(f.Name()))
			}
		}
	}
	return out
}

// shownBytes is how much of a text an error repeats.
const shownBytes = 48

func shown(s string) string {
	if len(s) > shownBytes {
		return strconv.Quote(strings.ToValidUTF8(s[:shownBytes], "")) + "…"
	}
	return strconv.Quote(s)
}

func (d *decoder) field(m protoreflect.Message, f protoreflect.FieldDescriptor, n *strictjson.Node) error {
	if n.Kind == strictjson.Null {
		return nil
	}
	if f.IsList() {
		return d.list(m, f, n)
	}
	v, err := d.value(f, n)
	if err != nil {
		return err
	}
	m.Set(f, v)
	return nil
}

// mostItems bounds lists: there are fewer inspections than that.
const mostItems = 100

func (d *decoder) list(m protoreflect.Message, f protoreflect.FieldDescriptor, n *strictjson.Node) error {
	key := string(f.Name())
	if n.Kind != strictjson.Array || len(n.Items) > mostItems {
		return d.fault(key, n, n.Kind.String(), fmt.Sprintf("a list of at most %d", mostItems), "write it in [ ], or with a hyphen before each item")
	}
	list := m.Mutable(f).List()
	switch {
	case key == troubleCodes:
		return d.codes(list, n)
	case f.Message() == nil:
		return d.fault(key, n, "a list", "a list of a kind that this program does not know", "use a newer program")
	}
	for _, item := range n.Items {
		element := list.NewElement()
		if err := d.object(item, element.Message()); err != nil {
			return err
		}
		if missing := unset(element.Message()); missing != "" {
			return d.fault(key, item, "an item without "+missing, "each item with "+strings.Join(keys([]protoreflect.Message{element.Message()}), " and "), "complete the item")
		}
		list.Append(element)
	}
	return nil
}

// troubleCodes is the key with codes of SAE J2012.
const troubleCodes = "trouble_codes"

func (d *decoder) codes(list protoreflect.List, n *strictjson.Node) error {
	const expected, hint = "a trouble code such as P0101: P, C, B or U, a digit from 0 to 3, and three of 0 to 9 and A to F", "write it as the tool shows it, without its text"
	seen := map[string]bool{}
	for _, item := range n.Items {
		_, err := j1979.ParseDTC(item.Text)
		switch {
		case item.Kind != strictjson.String:
			return d.fault(troubleCodes, item, item.Kind.String(), expected, "put each code in quotes")
		case err != nil:
			return d.fault(troubleCodes, item, shown(item.Text), expected, hint)
		case seen[item.Text]:
			return d.fault(troubleCodes, item, "the same code twice", "each code once", "remove one of them")
		}
		seen[item.Text] = true
		list.Append(protoreflect.ValueOfString(item.Text))
	}
	return nil
}

// unset names the first field of a list's item that says nothing.
func unset(m protoreflect.Message) string {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		if f := fields.Get(i); !m.Has(f) {
			return string(f.Name())
		}
	}
	return ""
}

func (d *decoder) value(f protoreflect.FieldDescriptor, n *strictjson.Node) (protoreflect.Value, error) {
	key := string(f.Name())
	wrong := func(expected, hint string) (protoreflect.Value, error) {
		got := n.Kind.String()
		if n.Text != "" {
			got = shown(n.Text)
		}
		return protoreflect.Value{}, d.fault(key, n, got, expected, hint)
	}
	switch f.Kind() {
	case protoreflect.BoolKind:
		if n.Kind != strictjson.Bool || strings.ToLower(n.Text) != "true" && strings.ToLower(n.Text) != "false" {
			return wrong("true or false", "without quotes, or leave the key out")
		}
		return protoreflect.ValueOfBool(strings.ToLower(n.Text) == "true"), nil
	case protoreflect.StringKind:
		most := int(bounds[key].high)
		if n.Kind != strictjson.String || !utf8.ValidString(n.Text) {
			return wrong("a text", "put it in quotes")
		}
		if count := utf8.RuneCountInString(n.Text); count > most {
			return protoreflect.Value{}, d.fault(key, n, fmt.Sprintf("%d characters", count), fmt.Sprintf("at most %d", most), "shorten the text")
		}
		return protoreflect.ValueOfString(n.Text), nil
	case protoreflect.EnumKind:
		return d.enum(f, n, wrong)
	case protoreflect.DoubleKind, protoreflect.Int32Kind:
		return d.number(f, n, wrong)
	}
	return wrong("a kind of fact that this program does not know", "use a newer program")
}

type refuse func(expected, hint string) (protoreflect.Value, error)

// decimal is JSON's grammar: YAML's hexadecimal, octal and infinite numbers are no
// facts.
var decimal = regexp.MustCompile(`^[-+]?\d+(\.\d+)?([eE][-+]?\d+)?$`)

func (d *decoder) number(f protoreflect.FieldDescriptor, n *strictjson.Node, wrong refuse) (protoreflect.Value, error) {
	b := bounds[string(f.Name())]
	whole := f.Kind() == protoreflect.Int32Kind
	expected := fmt.Sprintf("a number from %v to %v", b.low, b.high)
	if whole {
		expected = fmt.Sprintf("a whole number from %v to %v", b.low, b.high)
	}
	if n.Kind != strictjson.Number || !decimal.MatchString(n.Text) {
		return wrong(expected, "without quotes, with a decimal point; or leave the key out")
	}
	v, err := strconv.ParseFloat(n.Text, 64)
	if err != nil || v < b.low || v > b.high || whole && v != math.Trunc(v) {
		return wrong(expected, "check the unit in the key's name; or leave the key out")
	}
	if whole {
		return protoreflect.ValueOfInt32(int32(v)), nil
	}
	return protoreflect.ValueOfFloat64(v), nil
}

func (d *decoder) enum(f protoreflect.FieldDescriptor, n *strictjson.Node, wrong refuse) (protoreflect.Value, error) {
	names := enumNames(f.Enum())
	expected := "one of " + strings.Join(names, ", ")
	if n.Kind != strictjson.String {
		return wrong(expected, "correct the value, or leave the key out")
	}
	if i := slices.Index(names, n.Text); i >= 0 {
		return protoreflect.ValueOfEnum(f.Enum().Values().Get(i + 1).Number()), nil
	}
	if near := nearest.Word(n.Text, names); near != "" {
		return wrong(expected, "did you mean "+near+"?")
	}
	return wrong(expected, "correct the value, or leave the key out")
}

// enumNames lists the suffixes of all values but the first, which means not stated.
func enumNames(e protoreflect.EnumDescriptor) []string {
	values := e.Values()
	prefix := strings.TrimSuffix(string(values.Get(0).Name()), "UNSPECIFIED")
	var out []string
	for i := 1; i < values.Len(); i++ {
		out = append(out, strings.ToLower(strings.TrimPrefix(string(values.Get(i).Name()), prefix)))
	}
	return out
}

// Swept volume of one cylinder, in litres, beyond which no road vehicle's engine goes:
// below are model engines, above are ships.
const (
	leastCylinder = 0.03
	mostCylinder  = 3.5
)

// contradictions refuses facts that cannot all be true.
func (d *decoder) contradictions(v *airassayv1beta1.Vehicle, day *airassayv1beta1.DayConditions) error {
	if v.DisplacementL != nil && v.Cylinders != nil {
		if each := v.GetDisplacementL() / float64(v.GetCylinders()); each < leastCylinder || each > mostCylinder {
			return d.fault("displacement_l", d.places["displacement_l"], fmt.Sprintf("%v litres for %d cylinders", v.GetDisplacementL(), v.GetCylinders()), fmt.Sprintf("%v to %v litres a cylinder", leastCylinder, mostCylinder), "the displacement is in litres, of all cylinders together")
		}
	}
	if v.Banks != nil && v.Cylinders != nil && v.GetBanks() > v.GetCylinders() {
		return d.fault("banks", d.places["banks"], fmt.Sprintf("%d banks for %d cylinders", v.GetBanks(), v.GetCylinders()), "at most one bank a cylinder", "correct one of the two")
	}
	if v.GetAirMeter() == airassayv1beta1.AirMeterTechnology_AIR_METER_TECHNOLOGY_NONE && v.GetIntakeAirTemperatureLocation() == airassayv1beta1.IntakeAirTemperatureLocation_INTAKE_AIR_TEMPERATURE_LOCATION_IN_METER {
		return d.fault("intake_air_temperature_location", d.places["intake_air_temperature_location"], "in_meter with air_meter none", "a place outside the air meter", "correct one of the two")
	}
	return d.inspectedTwice(day)
}

func (d *decoder) inspectedTwice(day *airassayv1beta1.DayConditions) error {
	seen := map[airassayv1beta1.Inspection]bool{}
	for i, r := range day.GetInspections() {
		if seen[r.GetInspection()] {
			item := d.places["inspections"].Items[i]
			return d.fault("inspections", item, "the same inspection twice", "each inspection once, with its last outcome", "remove one of them")
		}
		seen[r.GetInspection()] = true
	}
	return nil
}
