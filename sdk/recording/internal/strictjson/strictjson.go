// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package strictjson reads small JSON documents into a tree that knows the line and
// column of everything, so that a refusal can point at the place. Unlike the decoder
// it rests on, it refuses duplicate keys, and keys keep their case.
package strictjson

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// Limits of a document.
const (
	MaxBytes = 1 << 20
	MaxDepth = 16
)

// Kind is the type of a node.
type Kind uint8

// The types of JSON.
const (
	Null Kind = iota
	Bool
	Number
	String
	Array
	Object
)

// String returns the kind with its article, for sentences.
func (k Kind) String() string {
	return [...]string{"null", "true or false", "a number", "a text in quotes", "a list in [ ]", "an object in { }"}[k]
}

// Node is one value.
type Node struct {
	Kind         Kind
	Line, Column int // from 1, the column in bytes
	// Text is the value of a String, or the literal of a Number or Bool.
	Text    string
	Items   []*Node  // of an Array
	Members []Member // of an Object, in the order of the document
}

// Member is one key of an object with its value.
type Member struct {
	Key          string
	Line, Column int // of the key
	Value        *Node
}

// Error says what is wrong with a document, and where.
type Error struct {
	Line, Column int
	What         string
}

// Error returns line:column: what.
func (e *Error) Error() string { return fmt.Sprintf("%d:%d: %s", e.Line, e.Column, e.What) }

// Parse reads one document. Every error is an *Error.
func Parse(data []byte) (*Node, error) {
	if len(data) > MaxBytes {
		return nil, &Error{1, 1, "the document is longer than 1 MiB"}
	}
	data = bytes.TrimPrefix(data, []byte("\xEF\xBB\xBF"))
	p := parser{data: data, line: 1}
	if err := p.valid(); err != nil {
		return nil, err
	}
	p.d = json.NewDecoder(bytes.NewReader(data))
	p.d.UseNumber()
	return p.value(0)
}

type parser struct {
	data []byte
	d    *json.Decoder
	// The place up to which lines were counted; tokens only move on.
	at, line, lineStart int
}

func (p *parser) valid() error {
	if !utf8.Valid(p.data) {
		at := bytes.IndexFunc(p.data, func(r rune) bool { return r == utf8.RuneError })
		return p.fault(max(at, 0), "the text is not UTF-8")
	}
	if len(bytes.TrimSpace(p.data)) == 0 {
		return p.fault(0, "the document is empty")
	}
	var raw json.RawMessage
	err := json.Unmarshal(p.data, &raw)
	if syntax, ok := errors.AsType[*json.SyntaxError](err); ok {
		return p.fault(max(int(syntax.Offset)-1, 0), syntax.Error())
	}
	if err != nil {
		return p.fault(0, err.Error())
	}
	return nil
}

// place returns line and column of a byte that is not before the last one asked for.
func (p *parser) place(at int) (line, column int) {
	at = min(at, len(p.data))
	for ; p.at < at; p.at++ {
		if p.data[p.at] == '\n' {
			p.line++
			p.lineStart = p.at + 1
		}
	}
	return p.line, at - p.lineStart + 1
}

func (p *parser) fault(at int, what string) *Error {
	line, column := p.place(at)
	return &Error{line, column, what}
}

// token returns the next token and where it starts.
func (p *parser) token() (t json.Token, line, column int, err error) {
	at := int(p.d.InputOffset())
	for at < len(p.data) && strings.IndexByte(" \t\r\n,:", p.data[at]) >= 0 {
		at++
	}
	line, column = p.place(at)
	t, err = p.d.Token()
	if err != nil {
		err = &Error{line, column, err.Error()}
	}
	return t, line, column, err
}

func (p *parser) value(depth int) (*Node, error) {
	t, line, column, err := p.token()
	if err != nil {
		return nil, err
	}
	n := &Node{Line: line, Column: column}
	switch t := t.(type) {
	case nil:
	case bool:
		n.Kind, n.Text = Bool, fmt.Sprint(t)
	case json.Number:
		n.Kind, n.Text = Number, t.String()
	case string:
		n.Kind, n.Text = String, t
	case json.Delim:
		if depth >= MaxDepth {
			return nil, &Error{line, column, fmt.Sprintf("more than %d levels of nesting", MaxDepth)}
		}
		if t == '[' {
			return n, p.array(n, depth)
		}
		return n, p.object(n, depth)
	}
	return n, nil
}

func (p *parser) array(n *Node, depth int) error {
	n.Kind = Array
	for p.d.More() {
		item, err := p.value(depth + 1)
		if err != nil {
			return err
		}
		n.Items = append(n.Items, item)
	}
	_, _, _, err := p.token()
	return err
}

func (p *parser) object(n *Node, depth int) error {
	n.Kind = Object
	seen := map[string]int{}
	for p.d.More() {
		t, line, column, err := p.token()
		if err != nil {
			return err
		}
		key := fmt.Sprint(t)
		if first, twice := seen[key]; twice {
			return &Error{line, column, fmt.Sprintf("the key %q stands here and in line %d", key, first)}
		}
		seen[key] = line
		value, err := p.value(depth + 1)
		if err != nil {
			return err
		}
		n.Members = append(n.Members, Member{key, line, column, value})
	}
	_, _, _, err := p.token()
	return err
}
