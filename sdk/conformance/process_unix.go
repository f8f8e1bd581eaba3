// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package conformance

import (
	"errors"
	"os/exec"
	"syscall"
)

// inheritedVariables are given to every adapter, as a host does.
func inheritedVariables() []string { return []string{"PATH", "TMPDIR"} }

// ownGroup keeps an interrupt from the terminal away from the adapter, as a host does.
func ownGroup(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }

func isGone(pid int) bool { return errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) }

// killGroup ends the process and what it has started.
func killGroup(cmd *exec.Cmd) {
	_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) // no such group: all is gone already
}
