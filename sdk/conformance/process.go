// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"github.com/airassay/airassay/sdk/internal/handshake"
)

// greetingForm is a line that a host can use: version of the plugin protocol, of ours, network, address, grpc, certificate.
// What else is printed is for the check of C1 to judge.
var greetingForm = regexp.MustCompile(`^1\|\d+\|(unix|tcp)\|[^|]+\|grpc(\|[^|]*)?\s*$`)

// launch says how a process is started where that differs from what a host does.
type launch struct {
	name     string // of the check
	versions string // that the host offers; the one that this kit speaks where empty
	byHand   bool   // without anything that a host adds
	stdin    bool   // with something to read on standard input, where a host gives none
	level    string // of the log; info where empty
	window   int32  // bytes that a stream may send before they are read; gRPC's own rule where 0
	noLife   bool   // without a lifeline
}

// process is one run of an executable.
type process struct {
	cmd      *exec.Cmd
	dir      string // for its socket; removed in the end
	started  time.Time
	greeting chan string // receives the handshake's line, once
	stdout   *capture
	stderr   *capture
	exited   chan struct{}
	ended    time.Time // set before exited is closed
	left     bool      // it left others of its group behind; set before exited is closed

	outRead, errRead *os.File
	inRead, inWrite  *os.File // both ends; nil without launch.stdin
	inBytes          int
	log              io.Closer
}

// environment is what a host lets an adapter see, and the handshake.
func (e Executable) environment(dir string, who *identity, how launch) []string {
	env := []string{"GOMAXPROCS=2", "GOMEMLIMIT=268435456"}
	for _, name := range inheritedVariables() {
		if value, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+value)
		}
	}
	env = append(env, e.Env...)
	if how.byHand {
		return env
	}
	versions, level := how.versions, how.level
	if versions == "" {
		versions = fmt.Sprint(handshake.Newest)
	}
	if level == "" {
		level = "info"
	}
	return append(
		env,
		handshake.CookieKey+"="+handshake.CookieValue,
		handshake.EnvVersions+"="+versions,
		handshake.EnvClientCertificate+"="+who.pem,
		handshake.EnvSocketDir+"="+dir,
		handshake.EnvMinPort+"=0",
		handshake.EnvMaxPort+"=1",
		handshake.EnvLogLevel+"="+level,
	)
}

// spawn starts the executable. The context ends nothing: a process is ended by end.
func (e Executable) spawn(s *shop, how launch) (*process, error) {
	dir, log, err := s.place(how.name)
	if err != nil {
		return nil, err
	}
	// The process outlives the check's own context, so that it can be ended in an orderly way.
	cmd := exec.CommandContext(context.Background(), e.Path, e.Args...)
	cmd.Dir = e.Dir
	if cmd.Dir == "" {
		cmd.Dir = filepath.Dir(e.Path)
	}
	cmd.Env = e.environment(dir, s.host, how)
	ownGroup(cmd)
	p := &process{cmd: cmd, dir: dir, log: log, greeting: make(chan string, 1), exited: make(chan struct{})}
	p.stdout = newCapture(nil, p.listen)
	p.stderr = newCapture(log, func(line string) { s.pass(line) })
	if err := p.start(how); err != nil {
		return nil, errors.Join(err, os.RemoveAll(dir))
	}
	return p, nil
}

func (p *process) start(how launch) (err error) {
	var theirs []*os.File
	defer func() {
		for _, f := range theirs {
			_ = f.Close() // the child has its own
		}
	}()
	pipe := func() (r, w *os.File) {
		if err == nil {
			r, w, err = os.Pipe()
		}
		return r, w
	}
	var outWrite, errWrite *os.File
	p.outRead, outWrite = pipe()
	p.errRead, errWrite = pipe()
	if how.stdin {
		p.inRead, p.inWrite = pipe()
	}
	if err != nil {
		return err
	}
	theirs = append(theirs, outWrite, errWrite)
	p.cmd.Stdout, p.cmd.Stderr = outWrite, errWrite
	if p.inRead != nil {
		p.cmd.Stdin = p.inRead
		if p.inBytes, err = p.inWrite.WriteString(strings.Repeat("This is for the host and nobody else.\n", 20)); err != nil {
			return err
		}
	}
	p.started = time.Now()
	if err := p.cmd.Start(); err != nil {
		_, _ = p.outRead.Close(), p.errRead.Close() // nothing was ever written
		return fmt.Errorf("it cannot be started: %w", err)
	}
	go p.stdout.drain(p.outRead)
	go p.stderr.drain(p.errRead)
	go p.watch()
	return nil
}

// listen looks for the handshake among the lines of standard output.
func (p *process) listen(line string) {
	if !greetingForm.MatchString(line) {
		return
	}
	select {
	case p.greeting <- strings.TrimSpace(line):
	default: // had one already
	}
}

func (p *process) watch() {
	_ = p.cmd.Wait() // the state says more
	p.ended = time.Now()
	// Looked at now, because the number of an empty group may be given to others.
	p.left = groupAlive(p.cmd.Process.Pid)
	close(p.exited)
}

// greet waits for the handshake.
func (p *process) greet(ctx context.Context, limit time.Duration) (string, error) {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case line := <-p.greeting:
		return line, nil
	case <-p.exited:
		p.settleOutput()
		select {
		case line := <-p.greeting:
			return line, nil
		default:
		}
		return "", fmt.Errorf("it ended with %s before the handshake; the last that it wrote: %s", p.cmd.ProcessState, list(p.stderr.tail(3)))
	case <-timer.C:
		return "", fmt.Errorf("it printed no handshake within %v; on standard output it wrote %s", limit, quote(p.stdout.String()))
	case <-ctx.Done():
		return "", context.Cause(ctx)
	}
}

// settleOutput lets the readers take what an ended process left in its pipes. They wait only where it has left others
// behind that hold the pipes open.
func (p *process) settleOutput() {
	timer := time.NewTimer(time.Second)
	defer timer.Stop()
	for _, c := range []*capture{p.stdout, p.stderr} {
		select {
		case <-c.over:
		case <-timer.C:
			return
		}
	}
}

// exitsWithin waits until the process and whatever it has started are gone. It says how long after the instant it ended.
func (p *process) exitsWithin(since time.Time, limit time.Duration) (time.Duration, bool) {
	deadline := time.NewTimer(time.Until(since.Add(limit)))
	defer deadline.Stop()
	select {
	case <-p.exited:
	case <-deadline.C:
		return 0, false
	}
	for p.left && groupAlive(p.cmd.Process.Pid) {
		select {
		case <-deadline.C:
			return 0, false
		case <-time.After(10 * time.Millisecond):
		}
	}
	return max(p.ended.Sub(since), 0), true
}

func (p *process) hasExited() bool {
	select {
	case <-p.exited:
		return true
	default:
		return false
	}
}

// readOfStdin says how many bytes of standard input the process has taken.
func (p *process) readOfStdin() (int, error) {
	if err := p.inWrite.Close(); err != nil {
		return 0, err
	}
	left, err := io.ReadAll(p.inRead)
	return p.inBytes - len(left), err
}

// sever does to the process what the death of its host does: all pipes break.
func (p *process) sever() {
	for _, f := range []*os.File{p.outRead, p.errRead, p.inWrite, p.inRead} {
		if f != nil {
			_ = f.Close() // it breaks in any case
		}
	}
}

// end waits for the process's end, kills it and all that it has started where it does not come, and leaves nothing behind.
func (p *process) end(patience time.Duration) {
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case <-p.exited:
	case <-timer.C:
		killGroup(p.cmd)
		<-p.exited
	}
	if p.left {
		killGroup(p.cmd)
	}
	p.settleOutput()
	p.sever()
	<-p.stdout.over
	<-p.stderr.over
	if p.log != nil {
		_ = p.log.Close() // a log that cannot be written fails no adapter
	}
	_ = os.RemoveAll(p.dir) // in a temporary folder
}
