// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build !unix

package conformance

import "os/exec"

// inheritedVariables are given to every adapter, as a host does.
func inheritedVariables() []string { return []string{"PATH", "TMP", "TEMP", "SystemRoot"} }

func ownGroup(*exec.Cmd) {}

// killGroup ends the process alone.
func killGroup(cmd *exec.Cmd) { _ = cmd.Process.Kill() } // gone already

// groupAlive knows nothing here of what the process has started.
func groupAlive(int) bool { return false }

// isGone never says so here, where a number may be anybody's.
func isGone(int) bool { return false }
