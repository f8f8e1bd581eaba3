// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix && !linux

package host

// spawn starts the program by its name: there is no way to run an open file here, so the check of its folder carries
// more weight.
func (p *process) spawn() error {
	ownGroup(p.cmd)
	return p.cmd.Start()
}

// reap waits for the process's end and then ends its group. Its number is free for that moment; a group of that number
// can only be another's if the system went once through all numbers meanwhile.
func (p *process) reap() error {
	err := p.cmd.Wait()
	p.endGroup()
	return err
}
