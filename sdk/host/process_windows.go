// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"os"
	"syscall"
)

// inherited variables are given to every adapter; without SystemRoot no program can open a socket.
var inherited = []string{"PATH", "TMP", "TEMP", "SystemRoot"}

// ERROR_BAD_EXE_FORMAT of winerror.h.
const errFormat = syscall.Errno(193)

func (p *process) spawn() error {
	p.cmd.SysProcAttr = &syscall.SysProcAttr{CreationFlags: syscall.CREATE_NEW_PROCESS_GROUP}
	return p.cmd.Start()
}

// killGroup ends the process alone; what it has started is left to the lifeline.
func (p *process) killGroup() { _ = p.cmd.Process.Kill() } // gone already

// reap waits for the process's end.
func (p *process) reap() error {
	err := p.cmd.Wait()
	p.endGroup()
	return err
}

func alive(pid int) bool {
	p, err := os.FindProcess(pid)
	if err != nil {
		return false
	}
	return p.Release() == nil
}

func privateDir(dir string) error { return os.MkdirAll(dir, 0o700) }
