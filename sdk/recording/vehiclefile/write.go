// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package vehiclefile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	airassayv1beta1 "github.com/airassay/airassay/api/airassay/v1beta1"
)

// Write writes the facts as JSON that Read reads back. Facts that are not stated and
// fields that the server alone writes are left out. Facts that Read would refuse are
// refused as an *Error. Both messages may be nil.
func Write(w io.Writer, vehicle *airassayv1beta1.Vehicle, day *airassayv1beta1.DayConditions) error {
	e := encoder{}
	e.messages("  ", vehicle.ProtoReflect(), day.ProtoReflect())
	e.b.WriteByte('\n')
	if e.err != nil {
		return e.err
	}
	gotVehicle, gotDay, err := Read(bytes.NewReader(e.b.Bytes()), "vehicle.json")
	if err != nil {
		return err
	}
	if !proto.Equal(gotVehicle, factsOnly(vehicle)) || !proto.Equal(gotDay, factsOnly(day)) {
		return &Error{File: "vehicle.json", Got: "facts that the file cannot hold", Expected: "known fields and enum values", Hint: "use a newer program"}
	}
	if _, err := w.Write(e.b.Bytes()); err != nil {
		return fmt.Errorf("writing a vehicle file: %w", err)
	}
	return nil
}

// factsOnly returns a copy without what the server writes.
func factsOnly[M proto.Message](m M) proto.Message {
	out := m.ProtoReflect().New()
	m.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if !serverOwned(f) {
			out.Set(f, v)
		}
		return true
	})
	return out.Interface()
}

type encoder struct {
	b   bytes.Buffer
	err error
}

func (e *encoder) messages(indent string, messages ...protoreflect.Message) {
	e.b.WriteByte('{')
	separator := "\n"
	for _, m := range messages {
		fields := m.Descriptor().Fields()
		for i := range fields.Len() {
			f := fields.Get(i)
			if serverOwned(f) || !m.Has(f) {
				continue
			}
			fmt.Fprintf(&e.b, "%s%s%q: ", separator, indent, f.Name())
			separator = ",\n"
			e.field(indent, f, m.Get(f))
		}
	}
	if separator != "\n" {
		e.b.WriteString("\n" + indent[2:])
	}
	e.b.WriteByte('}')
}

func (e *encoder) field(indent string, f protoreflect.FieldDescriptor, v protoreflect.Value) {
	if !f.IsList() {
		e.value(f, v)
		return
	}
	e.b.WriteByte('[')
	for i := range v.List().Len() {
		if i > 0 {
			e.b.WriteString(", ")
		}
		if f.Message() == nil {
			e.value(f, v.List().Get(i))
			continue
		}
		e.messages(indent+"  ", v.List().Get(i).Message())
	}
	e.b.WriteByte(']')
}

func (e *encoder) value(f protoreflect.FieldDescriptor, v protoreflect.Value) {
	switch f.Kind() {
	case protoreflect.DoubleKind:
		e.number(f, v.Float())
	case protoreflect.EnumKind:
		e.enum(f, v.Enum())
	default:
		text, err := json.Marshal(v.Interface())
		if err != nil && e.err == nil {
			e.err = fmt.Errorf("writing %s: %w", f.Name(), err)
		}
		e.b.Write(text)
	}
}

func (e *encoder) number(f protoreflect.FieldDescriptor, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		e.refuse(f, fmt.Sprint(v), "a finite number")
		return
	}
	e.b.Write(strconv.AppendFloat(nil, v, 'g', -1, 64))
}

func (e *encoder) enum(f protoreflect.FieldDescriptor, n protoreflect.EnumNumber) {
	value := f.Enum().Values().ByNumber(n)
	if value == nil || value.Index() == 0 {
		e.refuse(f, fmt.Sprintf("the value %d", n), "a value that the field knows")
		return
	}
	fmt.Fprintf(&e.b, "%q", enumNames(f.Enum())[value.Index()-1])
}

func (e *encoder) refuse(f protoreflect.FieldDescriptor, got, expected string) {
	if e.err == nil {
		e.err = &Error{File: "vehicle.json", Key: string(f.Name()), Got: got, Expected: expected, Hint: "correct the fact before it is written"}
	}
}
