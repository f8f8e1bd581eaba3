// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"bufio"
	"debug/elf"
	"debug/macho"
	"debug/pe"
	"fmt"
	"os"
	"runtime"
	"strings"
)

const machine = runtime.GOOS + "/" + runtime.GOARCH

// whatIsIt says for which machine a file was built, for a message.
func whatIsIt(path string) string {
	if f, err := elf.Open(path); err == nil {
		defer func() { _ = f.Close() }() // only read
		return fmt.Sprintf("it is an ELF program for %s%s", strings.TrimPrefix(f.Machine.String(), "EM_"), loader(f))
	}
	if f, err := macho.Open(path); err == nil {
		defer func() { _ = f.Close() }() // only read
		return fmt.Sprintf("it is a macOS program for %s", strings.TrimPrefix(f.Cpu.String(), "Cpu"))
	}
	if f, err := pe.Open(path); err == nil {
		defer func() { _ = f.Close() }() // only read
		return fmt.Sprintf("it is a Windows program for machine type %#x", f.Machine)
	}
	if line := firstLine(path); strings.HasPrefix(line, "#!") {
		return "it is a script that wants " + quote(strings.TrimSpace(line[2:]))
	}
	return "it is neither a program nor a script with #! in its first line"
}

func loader(f *elf.File) string {
	section := f.Section(".interp")
	if section == nil || section.Size > 4096 {
		return ""
	}
	data, err := section.Data()
	if err != nil {
		return ""
	}
	return " with the loader " + quote(strings.TrimRight(string(data), "\x00"))
}

func firstLine(path string) string {
	f, err := os.Open(path)
	if err != nil {
		return ""
	}
	defer func() { _ = f.Close() }() // only read
	line, _ := bufio.NewReaderSize(f, 256).ReadSlice('\n')
	return string(line)
}
