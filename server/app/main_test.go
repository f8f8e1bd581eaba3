// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"unicode/utf8"

	"github.com/spf13/pflag"
	"go.uber.org/goleak"
)

// crash is a command that only tests have.
func crash() command {
	return command{name: "crash", prepare: func(*pflag.FlagSet) runner {
		return func(_ context.Context, t *streams, args []string) error {
			if err := t.result(nil); err != nil {
				return err
			}
			beyond := len(args)
			return fmt.Errorf("%s is there", args[beyond])
		}
	}}
}

// broken is a command that fails for no fault of the input.
func broken() command {
	return command{name: "broken", prepare: func(*pflag.FlagSet) runner {
		return func(context.Context, *streams, []string) error { return errors.New("the parts do not fit") }
	}}
}

const asProgram = "AIRASSAY_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	// An adapter's environment is clean, so that it is known by its arguments.
	if os.Getenv(asProgram) != "" || len(os.Args) > 1 && os.Args[1] == "adapter" {
		os.Exit(run(context.Background(), append(commands(), crash(), broken()), os.Args[1:], &streams{os.Stdout, os.Stderr}))
	}
	goleak.VerifyTestMain(m)
}

// call runs the program with the test's commands as a process of its own.
func call(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.CommandContext(t.Context(), self, args...)
	c.Env = append(os.Environ(), asProgram+"=1")
	var out, diagnostics bytes.Buffer
	c.Stdout, c.Stderr = &out, &diagnostics
	if err := c.Run(); err != nil && c.ProcessState == nil {
		t.Fatal(err)
	}
	return c.ProcessState.ExitCode(), out.String(), diagnostics.String()
}

func TestPanicIsAnInternalFailureThatSaysWhere(t *testing.T) {
	status, stdout, stderr := call(t, "crash", "here")
	if status != StatusInternal || stdout != "" {
		t.Errorf("status %d, stdout %q", status, stdout)
	}
	for _, want := range []string{"index out of range [1] with length 1", "at server/app.", "main_test.go:", "please report", "airassay-engine/"} {
		if !strings.Contains(stderr, want) {
			t.Errorf("stderr lacks %q:\n%s", want, stderr)
		}
	}
	if strings.Contains(stderr, "goroutine") {
		t.Errorf("a raw stack:\n%s", stderr)
	}
}

func TestUnforeseenErrorIsAnInternalFailure(t *testing.T) {
	status, stdout, stderr := call(t, "broken")
	if status != StatusInternal || stdout != "" || !strings.Contains(stderr, "the parts do not fit") || !strings.Contains(stderr, "please report") {
		t.Errorf("status %d, stdout %q, stderr:\n%s", status, stdout, stderr)
	}
}

// fullDisk fails as a full disk does.
type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, syscall.ENOSPC }

func TestUndeliveredResultIsNotSuccess(t *testing.T) {
	var stderr bytes.Buffer
	if status := Main(t.Context(), []string{"version"}, fullDisk{}, &stderr); status != StatusInternal {
		t.Errorf("status %d", status)
	}
	if s := stderr.String(); !strings.Contains(s, "could not be written") || strings.Contains(s, "please report") {
		t.Errorf("stderr: %s", s)
	}
}

func TestSignalsEndACallWithTheirNumber(t *testing.T) {
	for signal, want := range map[os.Signal]int{os.Interrupt: 130, syscall.SIGTERM: 143} {
		ctx, cancel := context.WithCancelCause(t.Context())
		cancel(Interrupted{Signal: signal})
		path := writeFile(t, "drive.csv", ownDrive)
		var stdout, stderr bytes.Buffer
		if status := Main(ctx, []string{"assay", path}, &stdout, &stderr); status != want || stdout.Len() > 0 {
			t.Errorf("%v: status %d, want %d, stdout %q, stderr %q", signal, status, want, &stdout, &stderr)
		}
	}
}

// Where the flags stand must not matter, not even before the command.
func TestTheCommandIsFoundAmongFlags(t *testing.T) {
	for _, tc := range []struct {
		args string
		want int
	}{
		{"", -1},
		{"assay", 0},
		{"assay x --json", 0},
		{"--json assay x", 1},
		{"--json=false assay x", 1},
		{"--vehicle v assay x", 2},
		{"--vehicle=v assay x", 1},
		{"--vehicle --json assay x", 2},
		{"--vehicle assay", -1},
		{"--unknown assay x", 1},
		{"-- assay x", 1},
		{"--json -- assay", 2},
		{"--", -1},
		{"- x", 0},
		{"--colour never assay x", 2},
		{"--choose 1a mapping", 2},
	} {
		got, err := commandIndex(commands(), strings.Fields(tc.args))
		if got != tc.want || err != nil {
			t.Errorf("%q: %d, %v, want %d", tc.args, got, err, tc.want)
		}
	}
}

// commandIndex reads a flag before it knows whose it is.
func TestFlagsOfOneNameAreOfOneKind(t *testing.T) {
	kinds := map[string]bool{}
	for _, c := range commands() {
		flags := newFlags(c.name)
		c.prepare(flags)
		flags.VisitAll(func(f *pflag.Flag) {
			valued := f.NoOptDefVal == ""
			if before, seen := kinds[f.Name]; seen && before != valued {
				t.Errorf("--%s takes a value in one command and none in another", f.Name)
			}
			kinds[f.Name] = valued
		})
	}
}

func TestEveryCommandHasHelpThatFitsATerminal(t *testing.T) {
	texts := map[string]string{"overview": overview(commands())}
	for _, c := range commands() {
		if c.about == "" || c.long == "" {
			t.Errorf("%s has no help", c.name)
		}
		texts[c.name] = commandHelp(&c)
	}
	for name, text := range texts {
		for line := range strings.Lines(text) {
			if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > helpColumns {
				t.Errorf("%s: %d columns: %s", name, n, line)
			}
		}
	}
}

func TestHelpOnFlagsShowsValuesAndDefaultsAsTheyAreTyped(t *testing.T) {
	for i := range commands() {
		c := &commands()[i]
		text := commandHelp(c)
		for _, bad := range []string{"=true|false", "(default [])", "(default INFO)", "(default false)"} {
			if strings.Contains(text, bad) {
				t.Errorf("help %s says %q", c.name, bad)
			}
		}
		if c.name == "serve" && (!strings.Contains(text, "\n  --drain TIME            when stopped,") || !strings.Contains(text, "(default 10s)") ||
			!strings.Contains(text, "\n  --replay-speed FACTOR   ") || !strings.Contains(text, "\n  --insecure-plaintext-network\n   ")) {
			t.Errorf("help serve is\n%s", text)
		}
	}
}

func TestMessagesCannotSteerTheTerminal(t *testing.T) {
	var stderr bytes.Buffer
	s := &streams{err: &stderr}
	s.notef("%s", "x\x1b[2J\nairassayd: all is well\u202e\x00\u009b é")
	if got := stderr.String(); strings.ContainsAny(got[:len(got)-1], "\x1b\n\x00\u202e\u009b") || !strings.Contains(got, "é") {
		t.Errorf("%q", got)
	}
}
