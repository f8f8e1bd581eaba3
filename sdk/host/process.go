// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"strconv"
	"sync"
	"time"

	"github.com/airassay/airassay/sdk/host/internal/logline"
	"github.com/airassay/airassay/sdk/host/manifest"
)

// exitTime is how long a broken connection waits for the news that the process has ended. On a busy machine that news
// comes some milliseconds later.
const exitTime = time.Second

// killedText is how a process that was killed describes its end; one that ended by itself a moment before says otherwise.
const killedText = "signal: killed"

// drainTime is how long the output of an ended process is still read. What it wrote is in the pipe by then; only
// a grandchild that left the process group could keep the pipe open.
const drainTime = 200 * time.Millisecond

// process is one run of an adapter's program. It stands between the plugin library and the operating system: the
// library sees the first line of standard output if that is a good handshake, and nothing else.
type process struct {
	cmd       *exec.Cmd
	program   *os.File // the verified executable, until it has been started
	socketDir string
	logs      *logline.Writer // standard error
	stray     *logline.Writer // standard output after the handshake

	outRead, errRead *os.File
	leash            *os.File // see holdLeash
	toLibrary        *io.PipeWriter
	fromProcess      *io.PipeReader
	silent           *io.PipeReader
	silentEnd        *io.PipeWriter

	greeted chan struct{} // closed when the first line has been judged
	refusal *Failure      // why it was refused; set before greeted is closed
	exited  chan struct{} // closed when the process and its group are gone and its output has been read
	exit    string        // how it ended; set before exited is closed

	mu      sync.Mutex
	started bool // from here to the end there is a group to kill
	ended   bool // a kill was asked for, or the process has ended: nothing more may start or be killed
	byHost  bool // the host killed it
}

// newProcess prepares a run. The environment holds what the library adds for the handshake.
func newProcess(o *Options, program *os.File, environment []string, socketDir string) *process {
	p := &process{program: program, socketDir: socketDir, greeted: make(chan struct{}), exited: make(chan struct{})}
	p.cmd = &exec.Cmd{
		Path: program.Name(),
		Args: append([]string{program.Name()}, o.Manifest.Arguments...),
		Env:  append(o.environment(os.LookupEnv), environment...),
		Dir:  o.Manifest.Dir,
		// Stdin nil is the null device: an adapter must not swallow what is meant for the host.
	}
	p.logs, p.stray = outputs(o, "stderr"), outputs(o, "stdout")
	p.fromProcess, p.toLibrary = io.Pipe()
	p.silent, p.silentEnd = io.Pipe()
	return p
}

// outputs makes a writer that cleans what an adapter writes and passes it on to the host's logger.
func outputs(o *Options, stream string) *logline.Writer {
	logger := o.Logger.With("adapter", o.Manifest.Name, "stream", stream)
	return &logline.Writer{
		Now: time.Now, PerSecond: o.LogLinesPerS, Burst: 10 * o.LogLinesPerS,
		Emit: func(l logline.Line) {
			if l.Cut {
				l.Attrs = append(l.Attrs, slog.Bool("cut", true))
			}
			logger.LogAttrs(context.Background(), l.Level, l.Message, l.Attrs...)
		},
		Dropped: func(lines int) {
			logger.Warn("the adapter writes too much, lines were dropped", "lines", lines)
		},
	}
}

// environment is what an adapter may see. A program needs its search path and a place for temporary files; anything
// else the manifest must name, because a host's environment holds secrets.
func (o *Options) environment(lookup func(string) (string, bool)) []string {
	env := []string{
		"GOMAXPROCS=" + strconv.Itoa(o.MaxProcs),
		"GOMEMLIMIT=" + strconv.FormatInt(o.MemoryLimitBytes, 10),
	}
	for _, name := range append(append([]string(nil), inherited...), o.Manifest.Environment...) {
		if value, ok := lookup(name); ok {
			env = append(env, name+"="+value)
		}
	}
	return env
}

// Start runs the program in a process group of its own.
func (p *process) Start(context.Context) (err error) {
	defer func() { _ = p.program.Close() }() // only read
	outRead, outWrite, err := os.Pipe()
	if err != nil {
		return &Failure{Reason: ReasonHost, Err: err}
	}
	defer func() { _ = outWrite.Close() }() // the child has its own
	errRead, errWrite, err := os.Pipe()
	if err != nil {
		return errors.Join(&Failure{Reason: ReasonHost, Err: err}, outRead.Close())
	}
	defer func() { _ = errWrite.Close() }() // the child has its own
	p.outRead, p.errRead = outRead, errRead
	p.cmd.Stdout, p.cmd.Stderr = outWrite, errWrite
	if err := p.spawnUnlessEnded(); err != nil {
		_, _ = outRead.Close(), errRead.Close() // nothing was ever written
		return err
	}
	go p.watch()
	return nil
}

func (p *process) spawnUnlessEnded() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.ended {
		return &Failure{Reason: ReasonHost, Err: ErrShutDown}
	}
	if err := p.spawn(); err != nil {
		return p.cannotRun(err)
	}
	p.started = true
	return nil
}

// kill ends the process and its group, and keeps it from starting. Safe at any time, any number of times.
func (p *process) kill() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.started && !p.ended {
		p.killGroup()
		p.byHost = true
	}
	p.ended = true
}

// endGroup ends what a process that has ended leaves behind.
func (p *process) endGroup() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.ended {
		p.killGroup()
	}
	p.ended = true
}

// ending says how the process ended; empty where it still runs or the host ended it.
func (p *process) ending() string {
	select {
	case <-p.exited:
	default:
		return ""
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.byHost && p.exit == killedText {
		return ""
	}
	return p.exit
}

// watch sees the process from its start to its end.
func (p *process) watch() {
	var readers sync.WaitGroup
	readers.Go(func() { p.readOutput() })
	readers.Go(func() { _, _ = io.Copy(p.logs, p.errRead) }) // ends with the pipe, whatever the error
	err := p.reap()
	p.exit = p.cmd.ProcessState.String()
	if p.cmd.ProcessState == nil {
		p.exit = err.Error()
	}
	limit := time.Now().Add(drainTime)
	_, _ = p.outRead.SetReadDeadline(limit), p.errRead.SetReadDeadline(limit) // a pipe always has deadlines
	readers.Wait()
	p.logs.Flush()
	p.stray.Flush()
	_, _ = p.outRead.Close(), p.errRead.Close() // all is read
	if p.leash != nil {
		_ = p.leash.Close() // nobody is left to feel it
	}
	close(p.exited)
	_, _ = p.toLibrary.Close(), p.silentEnd.Close() // never fail
}

// readOutput judges the first line, and after it passes on what an adapter must not print, so that it is seen.
func (p *process) readOutput() {
	r := bufio.NewReaderSize(p.outRead, maxGreeting)
	line, err := r.ReadSlice('\n')
	if len(line) > 0 || !errors.Is(err, io.EOF) && !errors.Is(err, os.ErrDeadlineExceeded) {
		p.refusal = greet(string(line), p.socketDir)
	} else {
		p.refusal = failure(ReasonExited, "it ended before the handshake")
	}
	close(p.greeted)
	if p.refusal != nil {
		_ = p.toLibrary.Close() // never fails; the library gives up
	} else if _, err := p.toLibrary.Write(line); err != nil {
		_ = p.toLibrary.CloseWithError(err) // never fails
	}
	_, _ = io.Copy(p.stray, r) // ends with the pipe, whatever the error
}

// cannotRun says why the operating system refused.
func (p *process) cannotRun(err error) error {
	path := p.program.Name()
	switch {
	case errors.Is(err, errFormat):
		return failure(ReasonNotExecutable, "%s cannot run on this machine, %s: %s: %w", path, machine, whatIsIt(path), err)
	case errors.Is(err, os.ErrPermission):
		return failure(ReasonNotExecutable, "%s may not be run: chmod +x it, and see that its file system is not mounted noexec: %w", path, err)
	case errors.Is(err, os.ErrNotExist):
		return failure(ReasonNotExecutable, "%s needs an interpreter or a loader that this machine lacks: %s: %w", path, whatIsIt(path), err)
	}
	return failure(ReasonHost, "cannot start %s: %w", path, err)
}

// The rest is what the plugin library asks of a runner.

// Wait waits for the process's end.
func (p *process) Wait(context.Context) error {
	<-p.exited
	return nil
}

// Kill does nothing: the host ends the process itself, after it has seen whether it ends by itself, and how.
func (p *process) Kill(context.Context) error { return nil }

// Stdout gives the handshake's line and then nothing until the end.
func (p *process) Stdout() io.ReadCloser { return p.fromProcess }

// Stderr gives nothing: the library's reading of logs can panic on what an adapter writes.
func (p *process) Stderr() io.ReadCloser { return p.silent }

// Name is the program.
func (p *process) Name() string { return p.cmd.Path }

// ID is the process's number.
func (p *process) ID() string { return strconv.Itoa(p.pid()) }

// Diagnose has nothing to add: the host makes its own messages.
func (p *process) Diagnose(context.Context) string { return "" }

// PluginToHost needs no translation: host and adapter share a machine.
func (p *process) PluginToHost(network, address string) (string, string, error) {
	return network, address, nil
}

// HostToPlugin needs no translation either.
func (p *process) HostToPlugin(network, address string) (string, string, error) {
	return network, address, nil
}

func (p *process) pid() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.started {
		return 0
	}
	return p.cmd.Process.Pid
}

// verified opens the executable, with all files checked.
func verified(m *manifest.Manifest) (*os.File, *Failure) {
	program, err := m.Verify()
	if err != nil {
		return nil, &Failure{Reason: ReasonFiles, Err: fmt.Errorf("its files are not as the manifest says: %w", err)}
	}
	return program, nil
}
