// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package manifest

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

const othersWrite = 0o002

// checkFolder refuses a folder into which anybody could put another program between the check and the start. What lies
// above counts too, because who can rename a folder can replace it; a sticky bit, as on /tmp, prevents that.
func checkFolder(dir string) error {
	info, err := os.Stat(dir)
	if err != nil {
		return err
	}
	if info.Mode()&othersWrite != 0 {
		return fmt.Errorf("%s can be written by everybody, so that anybody could replace the adapter; chmod o-w it", dir)
	}
	if stat, ok := info.Sys().(*syscall.Stat_t); ok && stat.Uid != 0 && int(stat.Uid) != os.Geteuid() {
		return fmt.Errorf("%s belongs to the user %d, who could replace the adapter; it must belong to root or to the user %d", dir, stat.Uid, os.Geteuid())
	}
	for above := filepath.Dir(dir); ; above = filepath.Dir(above) {
		info, err := os.Stat(above)
		if err != nil {
			return err
		}
		if info.Mode()&othersWrite != 0 && info.Mode()&fs.ModeSticky == 0 {
			return fmt.Errorf("%s, above the adapter's folder, can be written by everybody; chmod o-w it", above)
		}
		if above == filepath.Dir(above) {
			return nil
		}
	}
}

func checkFile(path string, info fs.FileInfo) error {
	if info.Mode()&othersWrite != 0 {
		return fmt.Errorf("%s can be written by everybody; chmod o-w it", path)
	}
	return nil
}
