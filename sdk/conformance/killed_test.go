// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package conformance

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// playHost starts a fake as the kit does, opens its device and waits to be killed.
func playHost() {
	k, err := newKit(context.Background(), Executable{Path: os.Args[0], Env: []string{flawEnv + "=" + os.Getenv(hostEnv)}}, Options{}, contractLimits())
	if err == nil {
		k.device = "box-1"
		var l *life
		if l, _, err = (&bench{kit: k, name: "host"}).opened(context.Background(), launch{level: "debug"}); err == nil {
			_, _ = fmt.Fprintln(os.Stdout, l.process.cmd.Process.Pid, k.shop.sockets)
			time.Sleep(time.Minute)
		}
	}
	_, _ = fmt.Fprintln(os.Stdout, err)
}

// outlives starts a host that holds a fake; kills it, and says whether the fake lives on.
func outlives(t *testing.T, flaw string) (bool, error) {
	t.Helper()
	host := exec.Command(os.Args[0])
	host.Env = append(os.Environ(), hostEnv+"="+flaw)
	out, err := host.StdoutPipe()
	if err == nil {
		err = host.Start()
	}
	if err != nil {
		return false, err
	}
	line, _ := bufio.NewReader(out).ReadString('\n')
	var (
		pid int
		dir string
	)
	if _, err := fmt.Sscan(line, &pid, &dir); err != nil {
		return false, fmt.Errorf("the host says %q", line)
	}
	t.Cleanup(func() {
		_ = syscall.Kill(-pid, syscall.SIGKILL)
		_ = os.RemoveAll(dir)
	})
	if !strings.HasPrefix(filepath.Base(dir), "airassay-kit-") {
		return false, fmt.Errorf("the host's folder is %s", dir)
	}
	_ = host.Process.Kill()
	_ = host.Wait()
	for killed := time.Now(); time.Since(killed) < 6*time.Second; time.Sleep(20 * time.Millisecond) {
		if !groupAlive(pid) {
			return false, nil
		}
	}
	return true, nil
}

// The kit does not kill itself to see what an adapter does then. What it does instead must tell the same.
func TestKilledHostIsLikeTheOneThatTheKitPlays(t *testing.T) {
	t.Parallel()
	var all sync.WaitGroup
	for flaw, want := range map[string]bool{"none": false, "outlives its host": true, "hangs on a log that nobody reads": true} {
		all.Go(func() {
			if got, err := outlives(t, flaw); err != nil || got != want {
				t.Errorf("a fake that %s outlives a killed host: %t, %v, want %t", flaw, got, err, want)
			}
		})
	}
	all.Wait()
}
