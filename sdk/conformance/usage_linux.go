// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"bytes"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
)

// canMeasure says that the system tells what another process uses.
const canMeasure = true

// usage is what a process and those that it has started hold.
type usage struct {
	memory int64 // bytes that are resident
	files  int   // open descriptors
}

// group lists the processes of a group that are not zombies.
func group(pgid int) []int {
	entries, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		return nil
	}
	var pids []int
	for _, name := range entries {
		text, err := os.ReadFile(name)
		if err != nil {
			continue // has ended meanwhile
		}
		// After the name in parentheses: state, parent, group.
		fields := bytes.Fields(text[bytes.LastIndexByte(text, ')')+1:])
		if len(fields) < 3 || string(fields[0]) == "Z" || string(fields[2]) != strconv.Itoa(pgid) {
			continue
		}
		if pid, err := strconv.Atoi(filepath.Base(filepath.Dir(name))); err == nil {
			pids = append(pids, pid)
		}
	}
	return pids
}

func groupAlive(pgid int) bool {
	// Asking the kernel is cheap, but a zombie that nobody waits for counts there.
	return syscall.Kill(-pgid, 0) == nil && len(group(pgid)) > 0
}

// measure sums up over a group.
func measure(pgid int) usage {
	var u usage
	for _, pid := range group(pgid) {
		dir := "/proc/" + strconv.Itoa(pid)
		if text, err := os.ReadFile(dir + "/statm"); err == nil {
			if fields := bytes.Fields(text); len(fields) > 1 {
				pages, _ := strconv.ParseInt(string(fields[1]), 10, 64)
				u.memory += pages * int64(os.Getpagesize())
			}
		}
		if open, err := os.ReadDir(dir + "/fd"); err == nil {
			u.files += len(open)
		}
	}
	return u
}
