// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package strictjson

import (
	"errors"
	"strings"
	"testing"
)

func TestPlaces(t *testing.T) {
	n, err := Parse([]byte("{\n  \"a\": [1,\n    \"x\"],\n  \"b\" : null, \"c\": true}"))
	if err != nil {
		t.Fatal(err)
	}
	if n.Kind != Object || len(n.Members) != 3 {
		t.Fatalf("%+v", n)
	}
	x := n.Members[0].Value.Items[1]
	if x.Line != 3 || x.Column != 5 || x.Text != "x" {
		t.Errorf("%+v", x)
	}
	if c := n.Members[2]; c.Line != 4 || c.Column != 15 || c.Value.Column != 20 || c.Value.Text != "true" {
		t.Errorf("%+v %+v", c, c.Value)
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"", "1:1: the document is empty"},
		{"{\"a\":1,\n\"a\":2}", `2:1: the key "a" stands here and in line 1`},
		{"{\"a\":1,\n}", "2:1: "},
		{"{} x", "1:4: "},
		{"{\"a\":01}", "1:7: "},
		{"{\"a\":\n\"\xff\"}", "2:2: the text is not UTF-8"},
		{strings.Repeat("[", 20) + strings.Repeat("]", 20), "1:17: more than 16 levels"},
		{strings.Repeat(" ", MaxBytes+1), "1:1: the document is longer"},
	} {
		_, err := Parse([]byte(c.in))
		var e *Error
		if !errors.As(err, &e) || !strings.HasPrefix(e.Error(), c.want) {
			t.Errorf("%.20q: got %v, want %s", c.in, err, c.want)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{`{"a":[1,-2.5e3,"x\n",true,null]}`, `[`, `{"a":{"a":{}}}`, "\xEF\xBB\xBF{}", "{\"a\":\"\\ud800\"}"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		n, err := Parse(data)
		if (n == nil) == (err == nil) && err == nil {
			t.Fatal("neither a tree nor an error")
		}
		var e *Error
		if err != nil && (!errors.As(err, &e) || e.Line < 1 || e.Column < 1) {
			t.Fatalf("no place: %v", err)
		}
	})
}
