// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package vehiclefile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"

	"go.yaml.in/yaml/v3"

	"github.com/airassay/airassay/sdk/recording/internal/strictjson"
)

// parseYAML reads one YAML document into the same tree as JSON. Anchors, aliases, merge
// keys and tags are refused: a list of facts needs none, and aliases can make a small
// file enormous.
func parseYAML(data []byte, name string) (*strictjson.Node, error) {
	d := yaml.NewDecoder(bytes.NewReader(data))
	var document yaml.Node
	if err := d.Decode(&document); err != nil {
		return nil, yamlFault(err, name)
	}
	var second yaml.Node
	if err := d.Decode(&second); !errors.Is(err, io.EOF) {
		if err != nil {
			return nil, yamlFault(err, name)
		}
		return nil, &Error{File: name, Line: max(second.Line, 1), Column: max(second.Column, 1), Got: "a second document", Expected: "one", Hint: "remove everything from the line ---"}
	}
	if document.Kind != yaml.DocumentNode || len(document.Content) != 1 {
		return nil, &Error{File: name, Got: "no document", Expected: "facts about the vehicle", Hint: "choose another file"}
	}
	c := converter{file: name}
	return c.node(document.Content[0], 0)
}

var yamlLine = regexp.MustCompile(`^yaml: (?:line (\d+): )?(.*)$`)

// yamlFault takes the place out of the library's message, which has it as text only.
func yamlFault(err error, name string) error {
	e := &Error{File: name, Got: "text that is not YAML (" + err.Error() + ")", Expected: "lines such as displacement_l: 2.0", Hint: "correct the file"}
	if errors.Is(err, io.EOF) {
		e.Got = "no facts"
		return e
	}
	if m := yamlLine.FindStringSubmatch(err.Error()); m != nil {
		e.Got = "text that is not YAML (" + m[2] + ")"
		e.Line, _ = strconv.Atoi(m[1])
		e.Column = min(e.Line, 1)
	}
	return e
}

type converter struct{ file string }

func (c converter) fault(n *yaml.Node, got, expected, hint string) error {
	return &Error{File: c.file, Line: n.Line, Column: n.Column, Got: got, Expected: expected, Hint: hint}
}

func (c converter) node(n *yaml.Node, depth int) (*strictjson.Node, error) {
	if depth > strictjson.MaxDepth {
		return nil, c.fault(n, fmt.Sprintf("more than %d levels of nesting", strictjson.MaxDepth), "a flat list of facts", "correct the file")
	}
	if n.Anchor != "" || n.Kind == yaml.AliasNode {
		return nil, c.fault(n, "an anchor or an alias", "plain facts", "write the value out")
	}
	out := &strictjson.Node{Line: n.Line, Column: n.Column}
	switch n.Kind {
	case yaml.SequenceNode:
		return out, c.sequence(n, out, depth)
	case yaml.MappingNode:
		return out, c.mapping(n, out, depth)
	case yaml.ScalarNode:
		return out, c.scalar(n, out)
	}
	return nil, c.fault(n, "something that is no fact", "plain facts", "correct the file")
}

func (c converter) scalar(n *yaml.Node, out *strictjson.Node) error {
	out.Text = n.Value
	switch n.ShortTag() {
	case "!!null":
		out.Kind, out.Text = strictjson.Null, ""
	case "!!bool":
		out.Kind = strictjson.Bool
	case "!!int", "!!float":
		out.Kind = strictjson.Number
	case "!!str", "!!timestamp":
		out.Kind = strictjson.String
	default:
		return c.fault(n, "the tag "+strconv.Quote(n.Tag), "plain facts", "remove the tag")
	}
	return nil
}

func (c converter) sequence(n *yaml.Node, out *strictjson.Node, depth int) error {
	out.Kind = strictjson.Array
	if n.ShortTag() != "!!seq" {
		return c.fault(n, "the tag "+strconv.Quote(n.Tag), "plain facts", "remove the tag")
	}
	for _, item := range n.Content {
		v, err := c.node(item, depth+1)
		if err != nil {
			return err
		}
		out.Items = append(out.Items, v)
	}
	return nil
}

func (c converter) mapping(n *yaml.Node, out *strictjson.Node, depth int) error {
	out.Kind = strictjson.Object
	if n.ShortTag() != "!!map" {
		return c.fault(n, "the tag "+strconv.Quote(n.Tag), "plain facts", "remove the tag")
	}
	seen := map[string]int{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key := n.Content[i]
		if key.Kind != yaml.ScalarNode || key.ShortTag() != "!!str" || key.Anchor != "" {
			return c.fault(key, "a key that is not plain text", "the name of a fact", "correct the file")
		}
		if first, twice := seen[key.Value]; twice {
			return c.fault(key, fmt.Sprintf("the key %q here and in line %d", key.Value, first), "each key once", "remove one of them")
		}
		seen[key.Value] = key.Line
		v, err := c.node(n.Content[i+1], depth+1)
		if err != nil {
			return err
		}
		out.Members = append(out.Members, strictjson.Member{Key: key.Value, Line: key.Line, Column: key.Column, Value: v})
	}
	return nil
}
