// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// object is a JSON object with its keys in order. Lists are []any; numbers are json.Number.
type object struct {
	keys   []string
	values map[string]any
}

const maxDepth = 16

// parse reads one JSON object, and refuses keys that stand twice.
func parse(data []byte) (*object, error) {
	if len(data) > MaxBytes {
		return nil, errors.New("the file is longer than 1 MiB; expected one scenario")
	}
	if !utf8.Valid(data) {
		return nil, errors.New("the file is not UTF-8 text; expected one JSON object")
	}
	d := json.NewDecoder(bytes.NewReader(bytes.TrimPrefix(data, []byte("\xEF\xBB\xBF"))))
	d.UseNumber()
	v, err := value(d, 0)
	if err == nil {
		if _, more := d.Token(); !errors.Is(more, io.EOF) {
			err = errors.New("more follows after the object")
		}
	}
	if err != nil {
		line := 1 + bytes.Count(data[:min(int(d.InputOffset()), len(data))], []byte("\n"))
		return nil, fmt.Errorf("line %d is not what JSON asks for: %w; expected one JSON object", line, err)
	}
	o, ok := v.(*object)
	if !ok {
		return nil, errors.New("the file holds no JSON object; expected one in { }")
	}
	return o, nil
}

func value(d *json.Decoder, depth int) (any, error) {
	t, err := d.Token()
	if errors.Is(err, io.EOF) {
		return nil, io.ErrUnexpectedEOF
	}
	if err != nil {
		return nil, err
	}
	switch t {
	case json.Delim('['), json.Delim('{'):
		if depth >= maxDepth {
			return nil, fmt.Errorf("more than %d levels of nesting", maxDepth)
		}
	}
	switch t {
	case json.Delim('['):
		list := []any{}
		for d.More() {
			v, err := value(d, depth+1)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		_, err = d.Token()
		return list, err
	case json.Delim('{'):
		return members(d, depth)
	}
	return t, nil
}

func members(d *json.Decoder, depth int) (any, error) {
	o := &object{values: map[string]any{}}
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return nil, err
		}
		key := fmt.Sprint(t)
		if _, twice := o.values[key]; twice {
			return nil, fmt.Errorf("the key %q stands there twice", key)
		}
		v, err := value(d, depth+1)
		if err != nil {
			return nil, err
		}
		o.keys = append(o.keys, key)
		o.values[key] = v
	}
	_, err := d.Token()
	return o, err
}

// field is a struct's field by its JSON key.
type field struct {
	name string
	at   int
	tag  reflect.StructTag
}

func fieldsOf(t reflect.Type) (list []field) {
	for i := range t.NumField() {
		name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		list = append(list, field{name, i, t.Field(i).Tag})
	}
	return list
}

// applyDefaults sets what the tags of a struct state.
func applyDefaults(to any) { defaults(reflect.ValueOf(to).Elem()) }

func defaults(v reflect.Value) {
	for _, f := range fieldsOf(v.Type()) {
		x := v.Field(f.at)
		text, ok := f.tag.Lookup("default")
		switch {
		case x.Kind() == reflect.Struct:
			defaults(x)
		case !ok:
		case x.Kind() == reflect.String:
			x.SetString(text)
		case x.Kind() == reflect.Bool:
			x.SetBool(text == "true")
		case x.Kind() == reflect.Float64:
			number, _ := strconv.ParseFloat(text, 64) // the tags are tested
			x.SetFloat(number)
		case x.Kind() == reflect.Uint64:
			number, _ := strconv.ParseUint(text, 10, 64)
			x.SetUint(number)
		case x.Kind() == reflect.Int:
			number, _ := strconv.ParseInt(text, 10, 32)
			x.SetInt(number)
		}
	}
}

// decode fills a struct from an object, and keeps what is not given.
func decode(o *object, to any, p *problems) { fill(reflect.ValueOf(to).Elem(), o, "", p) }

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

func fill(v reflect.Value, o *object, path string, p *problems) {
	known := fieldsOf(v.Type())
	for _, key := range o.keys {
		i := slices.IndexFunc(known, func(f field) bool { return f.name == key })
		if i < 0 {
			names := make([]string, len(known))
			for k, f := range known {
				names[k] = f.name
			}
			p.addf(join(path, key), "is not known; expected one of %s", strings.Join(names, ", "))
			continue
		}
		set(v.Field(known[i].at), o.values[key], join(path, key), known[i].tag, p)
	}
}

func kindOf(from any) string {
	switch x := from.(type) {
	case nil:
		return "null"
	case bool:
		return "true or false"
	case string:
		return "a text"
	case json.Number:
		return "the number " + x.String()
	case []any:
		return "a list"
	}
	return "an object"
}

func set(v reflect.Value, from any, path string, tag reflect.StructTag, p *problems) {
	wrong := func(expected string) { p.addf(path, "is %s; expected %s", kindOf(from), expected) }
	switch v.Kind() {
	case reflect.Pointer:
		if from == nil {
			v.SetZero()
			return
		}
		fresh := reflect.New(v.Type().Elem())
		if fresh.Elem().Kind() == reflect.Struct {
			defaults(fresh.Elem())
		}
		set(fresh.Elem(), from, path, tag, p)
		v.Set(fresh)
	case reflect.Struct:
		o, ok := from.(*object)
		if !ok {
			wrong("an object in { }")
			return
		}
		fill(v, o, path, p)
	case reflect.Slice:
		setList(v, from, path, tag, p)
	case reflect.Bool:
		b, ok := from.(bool)
		if !ok {
			wrong("true or false")
			return
		}
		v.SetBool(b)
	case reflect.String:
		setText(v, from, path, tag, p)
	default:
		setNumber(v, from, path, tag, p)
	}
}

func setList(v reflect.Value, from any, path string, tag reflect.StructTag, p *problems) {
	list, ok := from.([]any)
	low, high := bounds(tag.Get("count"))
	if !ok || float64(len(list)) < low || float64(len(list)) > high {
		got := kindOf(from)
		if ok {
			got = fmt.Sprintf("a list of %d", len(list))
		}
		p.addf(path, "is %s; expected a list of %g to %g", got, low, high)
		return
	}
	out := reflect.MakeSlice(v.Type(), len(list), len(list))
	for i, x := range list {
		if out.Index(i).Kind() == reflect.Struct {
			defaults(out.Index(i))
		}
		set(out.Index(i), x, fmt.Sprintf("%s[%d]", path, i), tag, p)
	}
	v.Set(out)
}

func setText(v reflect.Value, from any, path string, tag reflect.StructTag, p *problems) {
	text, ok := from.(string)
	if !ok {
		p.addf(path, "is %s; expected a text in quotes", kindOf(from))
		return
	}
	words := strings.Fields(tag.Get("oneof"))
	if tag.Get("derived") != "" {
		words = append(words, "") // what was not entered
	}
	if len(words) > 1 && !slices.Contains(words, text) {
		p.addf(path, "is %.60q; expected one of %s", text, strings.Join(strings.Fields(tag.Get("oneof")), ", "))
		return
	}
	if low, high := bounds(tag.Get("range")); v.Kind() == reflect.String && tag.Get("range") != "" {
		if n := float64(utf8.RuneCountInString(text)); n < low || n > high {
			p.addf(path, "has %g characters; expected %g to %g", n, low, high)
			return
		}
	}
	v.SetString(text)
}

// bounds reads the two numbers of a tag; an empty one bounds nothing.
func bounds(text string) (low, high float64) {
	words := strings.Fields(text)
	if len(words) != 2 {
		return math.Inf(-1), math.Inf(1)
	}
	low, _ = strconv.ParseFloat(words[0], 64) // the tags are tested
	high, _ = strconv.ParseFloat(words[1], 64)
	return low, high
}

func setNumber(v reflect.Value, from any, path string, tag reflect.StructTag, p *problems) {
	low, high := bounds(tag.Get("range"))
	what := "a number"
	if v.Kind() != reflect.Float64 {
		what = "a whole number"
	}
	expected := strings.TrimSpace(fmt.Sprintf("%s from %g to %g %s", what, low, high, tag.Get("unit")))
	if tag.Get("range") == "" {
		expected = what
	}
	n, ok := from.(json.Number)
	if !ok {
		p.addf(path, "is %s; expected %s", kindOf(from), expected)
		return
	}
	var err error
	number := 0.0
	switch v.Kind() {
	case reflect.Uint64:
		var whole uint64
		whole, err = strconv.ParseUint(n.String(), 10, 64)
		v.SetUint(whole)
	case reflect.Int:
		var whole int64
		whole, err = strconv.ParseInt(n.String(), 10, 32)
		number = float64(whole)
		v.SetInt(whole)
	default:
		number, err = strconv.ParseFloat(n.String(), 64)
		v.SetFloat(number)
	}
	if err != nil || number < low || number > high {
		p.addf(path, "is %.40s; expected %s", n, expected)
	}
}
