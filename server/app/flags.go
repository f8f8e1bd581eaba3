// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/pflag"
)

func newFlags(name string) *pflag.FlagSet {
	flags := pflag.NewFlagSet(name, pflag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.SetInterspersed(true)
	flags.SortFlags = false
	flags.Usage = func() {}
	flags.SetNormalizeFunc(func(_ *pflag.FlagSet, name string) pflag.NormalizedName {
		if name == "colour" {
			name = colourFlag
		}
		return pflag.NormalizedName(name)
	})
	return flags
}

// commandIndex finds the first argument that is neither a flag nor a flag's
// value: the command. Flags stand anywhere, before it too. It is −1 where there
// is none.
func commandIndex(known []command, args []string) (int, error) {
	all := newFlags(program)
	for i := range known {
		own := newFlags(known[i].name)
		known[i].prepare(own)
		all.AddFlagSet(own)
	}
	for i := 0; i < len(args); i++ {
		a := args[i]
		switch {
		case a == "--" && i+1 < len(args):
			return i + 1, nil
		case a == "--":
			return -1, nil
		case a == "-" || !strings.HasPrefix(a, "-"):
			return i, nil
		}
		name, _, valued := strings.Cut(strings.TrimLeft(a, "-"), "=")
		f := all.Lookup(name)
		switch {
		case f != nil && !strings.HasPrefix(a, "--"):
			return 0, singleDash(a, name)
		case f != nil && !valued && f.NoOptDefVal == "":
			i++
		}
	}
	return -1, nil
}

func singleDash(arg, name string) error {
	return &usageError{text: fmt.Sprintf("%s is not a flag; long flags have two dashes: --%s", arg, name)}
}

// explainFlag turns the flag library's error into one that says what to do.
func explainFlag(flags *pflag.FlagSet, args []string, err error) error {
	e := &usageError{command: flags.Name(), text: err.Error()}
	if _, unknown := errors.AsType[*pflag.NotExistError](err); !unknown {
		return e
	}
	for _, a := range args {
		if a == "--" {
			break
		}
		name, _, _ := strings.Cut(strings.TrimPrefix(a, "-"), "=")
		if strings.HasPrefix(a, "-") && flags.Lookup(name) != nil {
			return &usageError{command: flags.Name(), text: singleDash(a, name).Error()}
		}
	}
	var all []string
	flags.VisitAll(func(f *pflag.Flag) { all = append(all, "--"+f.Name) })
	e.text = fmt.Sprintf("%s; %s has %s", e.text, flags.Name(), strings.Join(append(all, "--help"), ", "))
	return e
}

// oneRecording takes the one argument of commands that work on a recording.
func oneRecording(command string, args []string) (string, error) {
	switch {
	case len(args) == 0:
		return "", &usageError{command: command, text: "the recording is missing: name one file"}
	case len(args) > 1:
		return "", &usageError{command: command, text: fmt.Sprintf("%d recordings are named (%s); name one file", len(args), quotedList(args))}
	case args[0] == "":
		return "", &usageError{command: command, text: "the recording's name is empty: name one file"}
	case args[0] == "-":
		return "", &usageError{command: command, text: "a recording cannot come from standard input, because it may be read twice: name one file"}
	}
	return args[0], nil
}

func quotedList(args []string) string {
	const shown = 4
	var quoted []string
	for i, a := range args {
		if i == shown {
			quoted = append(quoted, "…")
			break
		}
		quoted = append(quoted, fmt.Sprintf("%q", a))
	}
	return strings.Join(quoted, ", ")
}

// nameGiven demands a value behind flags that name a file.
func nameGiven(flags *pflag.FlagSet, names ...string) error {
	for _, n := range names {
		if f := flags.Lookup(n); f.Changed && f.Value.String() == "" {
			return &usageError{command: flags.Name(), text: "--" + n + " is empty: name a file"}
		}
	}
	return nil
}
