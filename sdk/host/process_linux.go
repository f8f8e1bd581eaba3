// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"bytes"
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// firstExtra is the descriptor that the first of a command's further files gets in the child.
const firstExtra = 3

// spawn starts the program from the file that was checked, which nobody can have exchanged since.
func (p *process) spawn() error {
	ownGroup(p.cmd)
	if reachable := "/proc/self/fd/"; isBinary(p.program) && exists(reachable) {
		p.cmd.ExtraFiles = append(p.cmd.ExtraFiles, p.program)
		p.cmd.Path = fmt.Sprint(reachable, firstExtra)
	}
	held, leash, err := os.Pipe()
	if err != nil {
		return err
	}
	defer func() { _ = held.Close() }() // the child has its own
	p.cmd.ExtraFiles = append(p.cmd.ExtraFiles, held)
	if err := p.cmd.Start(); err != nil {
		_ = leash.Close() // never used
		return err
	}
	p.leash = leash
	holdLeash(held, p.cmd.Process.Pid)
	return nil
}

// isBinary says that the file is run by the kernel itself. A script's interpreter opens it by name, and often looks for
// neighbours beside that name, so a script is started by its name.
func isBinary(f *os.File) bool {
	magic := make([]byte, 4)
	n, err := f.ReadAt(magic, 0)
	return err == nil && n == len(magic) && bytes.Equal(magic, []byte("\x7fELF"))
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// holdLeash makes the kernel send SIGTERM to the process's group when the host is gone, however it went. The child
// inherits the reading end of a pipe whose only writing end is the host's; a reading end with asynchronous notification
// signals its owner when the last writer closes, and the owner is the group. So grandchildren are reached too, no
// watching process is needed, and it does not depend on the thread that forked, as a parent-death signal does. Where it
// cannot be had, the lifeline does the work alone.
func holdLeash(held *os.File, pid int) {
	raw, err := held.SyscallConn()
	if err != nil {
		return
	}
	_ = raw.Control(func(fd uintptr) { // fails only for a closed file
		if _, err := unix.FcntlInt(fd, unix.F_SETOWN, -pid); err != nil {
			return
		}
		if _, err := unix.FcntlInt(fd, unix.F_SETSIG, int(unix.SIGTERM)); err != nil {
			return
		}
		if flags, err := unix.FcntlInt(fd, unix.F_GETFL, 0); err == nil {
			_, _ = unix.FcntlInt(fd, unix.F_SETFL, flags|unix.O_ASYNC) // see above
		}
	})
}

// reap waits for the process's end and ends its group before the number can be given to others.
func (p *process) reap() error {
	for {
		err := unix.Waitid(unix.P_PID, p.cmd.Process.Pid, nil, unix.WEXITED|unix.WNOWAIT, nil)
		if !errors.Is(err, unix.EINTR) {
			break
		}
	}
	p.endGroup()
	return p.cmd.Wait()
}
