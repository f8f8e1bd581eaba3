// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/spf13/pflag"
)

func helpCommand() command {
	return command{
		name:      "help",
		arguments: "[COMMAND]",
		about:     "show what the program or one command can do",
		long:      "Shows what the program can do, or what one command does and its flags.\n",
		prepare: func(*pflag.FlagSet) runner {
			return func(_ context.Context, t *streams, args []string) error { return help(commands(), t, args) }
		},
	}
}

func help(known []command, t *streams, args []string) error {
	switch len(args) {
	case 0:
		return t.result([]byte(overview(known)))
	case 1:
		for i := range known {
			if known[i].name == args[0] {
				return t.result([]byte(commandHelp(&known[i])))
			}
		}
		return unknownCommand(known, args[0])
	}
	return &usageError{command: "help", text: "help takes one command"}
}

// helpColumns is where the flags' help is wrapped.
const helpColumns = 80

func overview(known []command) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s judges from live engine data whether a vehicle's air meter and intake\n"+
		"air temperature sensor read true.\n\nUsage: %s COMMAND [FLAGS] [ARGUMENTS]\n\nCommands:\n", program, program)
	for _, c := range known {
		fmt.Fprintf(&b, "  %-9s %s\n", c.name, c.about)
	}
	fmt.Fprintf(&b, "\nFlags stand anywhere; everything behind -- is an argument.\n"+
		"Results go to standard output, everything else to standard error.\n"+
		"Exit status: %d done, whatever the verdict; %d the call or its input cannot be\n"+
		"used; %d internal failure.\n\nMore: %s help COMMAND\n", StatusDone, StatusRefused, StatusInternal, program)
	return b.String()
}

func commandHelp(c *command) string {
	flags := newFlags(c.name)
	c.prepare(flags)
	usage := []string{"Usage:", program, c.name}
	if flags.HasFlags() {
		usage = append(usage, "[FLAGS]")
	}
	if c.arguments != "" {
		usage = append(usage, c.arguments)
	}
	text := strings.Join(usage, " ") + "\n\n" + c.long
	if flags.HasFlags() {
		text += "\nFlags:\n" + flagHelp(flags)
	}
	return text
}

// flagColumns is where the text on a flag begins; a longer flag has a line of its own.
const flagColumns = 26

func flagHelp(flags *pflag.FlagSet) string {
	var b strings.Builder
	flags.VisitAll(func(f *pflag.Flag) {
		value, text := pflag.UnquoteUsage(f)
		label := strings.TrimRight("  --"+f.Name+" "+value, " ")
		if d := shownDefault(f); d != "" {
			text += " (default " + d + ")"
		}
		lines := wrapped(text, helpColumns-flagColumns)
		if len(label) >= flagColumns-1 {
			lines = append([]string{""}, lines...)
		}
		for i, line := range lines {
			if i > 0 {
				label = ""
			}
			b.WriteString(strings.TrimRight(fmt.Sprintf("%-*s%s", flagColumns, label, line), " ") + "\n")
		}
	})
	return b.String()
}

// shownDefault is a flag's default as a user would write it; empty for none.
func shownDefault(f *pflag.Flag) string {
	switch {
	case f.DefValue == "" || f.DefValue == "false" || f.DefValue == "0" || f.DefValue == "[]":
		return ""
	case f.Value.Type() == "string":
		return strconv.Quote(f.DefValue)
	}
	return strings.ToLower(f.DefValue)
}

// wrapped breaks a text between words into lines of at most columns runes, but for words that are longer.
func wrapped(text string, columns int) []string {
	lines := []string{""}
	for word := range strings.FieldsSeq(text) {
		last := &lines[len(lines)-1]
		switch {
		case *last == "":
			*last = word
		case utf8.RuneCountInString(*last)+1+utf8.RuneCountInString(word) <= columns:
			*last += " " + word
		default:
			lines = append(lines, word)
		}
	}
	return lines
}
