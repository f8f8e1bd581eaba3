// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package main

import (
	"bufio"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// A technician who stops a long reading gets no half verdict, and a script the
// status that shells give.
func TestSignalStopsAReading(t *testing.T) {
	// Two readings of this file take most of a second; the signal comes between them.
	dir := folder(t, map[string]string{"log.csv": "Time (s);Engine RPM\n" + strings.Repeat("1,5;801\n", 1_500_000)})
	for signal, want := range map[syscall.Signal]int{syscall.SIGINT: 130, syscall.SIGTERM: 143} {
		c := exec.CommandContext(t.Context(), binary, "assay", "log.csv")
		c.Dir = dir
		var stdout strings.Builder
		c.Stdout = &stdout
		stderr, err := c.StderrPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		var said []string
		for lines := bufio.NewScanner(stderr); lines.Scan(); {
			said = append(said, lines.Text())
			if strings.Contains(lines.Text(), "clock: ") {
				if err := c.Process.Signal(signal); err != nil {
					t.Fatal(err)
				}
			}
		}
		_ = c.Wait()
		if status := c.ProcessState.ExitCode(); status != want || stdout.Len() > 0 || !strings.Contains(strings.Join(said, "\n"), "stopped by a signal") {
			t.Errorf("%v: status %d, want %d; stdout %q; stderr:\n%s", signal, status, want, stdout.String(), strings.Join(said, "\n"))
		}
	}
}

// The demo starts the program itself as an adapter, and nobody starts a program that anybody could have replaced.
func TestDemoInAFolderThatAllCanWriteCallsThatAFaultOfOurs(t *testing.T) {
	dir := t.TempDir()
	program, err := os.ReadFile(binary)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, filepath.Base(binary))
	if err := os.WriteFile(path, program, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), path, "demo").CombinedOutput()
	said := string(out)
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != 2 || strings.Contains(said, "internal failure") || !strings.Contains(said, "chmod o-w") {
		t.Errorf("%v; it said:\n%s", err, said)
	}
}
