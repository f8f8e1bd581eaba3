// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"syscall"

	"github.com/spf13/pflag"
)

// Exit statuses that scripts rely on. A call that a signal ended has 128 and
// the signal's number, as shells have it.
const (
	// StatusDone: the command did what it was asked to, whatever the verdict says.
	StatusDone = 0
	// StatusRefused: the call or its input cannot be used; stderr says why.
	StatusRefused = 2
	// StatusInternal: the fault is in the program or its surroundings, not in the input.
	StatusInternal = 70
)

// Interrupted is the cause of a context that a signal ended.
type Interrupted struct{ Signal os.Signal }

// Error names the signal.
func (i Interrupted) Error() string { return "stopped by a signal: " + i.Signal.String() }

func (i Interrupted) status() int {
	if n, ok := i.Signal.(syscall.Signal); ok {
		return 128 + int(n)
	}
	return 128
}

// command is one thing that the program can do.
type command struct {
	name string
	// arguments stands in the usage line behind the flags.
	arguments string
	// about is one line, long a few more lines for the command's own help.
	about, long string
	// prepare declares the flags and returns what runs with their values.
	prepare func(flags *pflag.FlagSet) runner
}

// runner runs a command with the arguments that are not flags.
type runner func(ctx context.Context, t *streams, args []string) error

// streams is where a command writes. What goes to out is the command's result:
// a command writes it whole or not at all.
type streams struct{ out, err io.Writer }

// notef tells something that the user should know and the result does not say.
func (t *streams) notef(format string, args ...any) {
	_, _ = fmt.Fprintln(t.err, program+": "+printable(fmt.Sprintf(format, args...)))
}

// result writes what the command was called for.
func (t *streams) result(data []byte) error {
	if _, err := t.out.Write(data); err != nil {
		return &outputError{err}
	}
	return nil
}

const program = "airassayd"

// commands are the program's commands in the order of the help.
func commands() []command {
	return []command{demoCommand(), serveCommand(), assayCommand(), compareCommand(), mappingCommand(), adapterCommand(), versionCommand(), helpCommand()}
}

// Main runs the program with the arguments behind its name and returns the
// exit status. Results go to stdout, everything else to stderr. The
// environment says whether a terminal has colours. It is safe for concurrent use.
func Main(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	return run(ctx, commands(), args, &streams{stdout, stderr})
}

func run(ctx context.Context, known []command, args []string, t *streams) (status int) {
	defer func() {
		if p := recover(); p != nil {
			t.internal(fmt.Sprintf("%v", p), callers())
			status = StatusInternal
		}
	}()
	return t.conclude(dispatch(ctx, known, args, t))
}

func dispatch(ctx context.Context, known []command, args []string, t *streams) error {
	at, err := commandIndex(known, args)
	if err != nil {
		return err
	}
	if at < 0 {
		return withoutCommand(known, args, t)
	}
	i := slices.IndexFunc(known, func(c command) bool { return c.name == args[at] })
	if i < 0 {
		return unknownCommand(known, args[at])
	}
	flags := newFlags(known[i].name)
	do := known[i].prepare(flags)
	rest := slices.Delete(slices.Clone(args), at, at+1)
	switch err := flags.Parse(rest); {
	case errors.Is(err, pflag.ErrHelp):
		return t.result([]byte(commandHelp(&known[i])))
	case err != nil:
		return explainFlag(flags, rest, err)
	}
	return do(ctx, t, flags.Args())
}

func withoutCommand(known []command, args []string, t *streams) error {
	for _, a := range args {
		switch a {
		case "--help", "-h":
			return t.result([]byte(overview(known)))
		case "--version":
			return t.result([]byte(versionLine()))
		}
	}
	return &usageError{text: "a command is missing: " + names(known)}
}

func unknownCommand(known []command, name string) error {
	return &usageError{text: fmt.Sprintf("%q is not a command; expected %s", name, names(known))}
}

func names(known []command) string {
	var all []string
	for _, c := range known {
		all = append(all, c.name)
	}
	return strings.Join(all[:len(all)-1], ", ") + " or " + all[len(all)-1]
}
