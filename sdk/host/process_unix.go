// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package host

import (
	"errors"
	"os"
	"os/exec"
	"syscall"

	"golang.org/x/sys/unix"
)

// inherited variables are given to every adapter.
var inherited = []string{"PATH", "TMPDIR"}

const errFormat = syscall.ENOEXEC

// killGroup ends all that belongs to the process, so that no grandchild stays behind. An interrupt from the terminal
// never reaches the group, because it is not the host's.
func (p *process) killGroup() {
	_ = unix.Kill(-p.cmd.Process.Pid, unix.SIGKILL) // no such group: all is gone already
}

func alive(pid int) bool { return !errors.Is(unix.Kill(pid, 0), unix.ESRCH) }

func ownGroup(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }

func privateDir(dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	return os.Chmod(dir, 0o700)
}
