// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health/grpc_health_v1"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/internal/handshake"
)

// startChecks look at how a host starts an adapter.
func startChecks() []check {
	return []check{
		{Item: core("H1", "started by hand it says what it is and exits", "H1"), process: true, run: byHand},
		{Item: core("H2", "of several protocol versions it takes the one that it knows", "H2"), process: true, needs: needDescribed, run: versions},
		{Item: core("H3", "it serves mutual TLS and refuses strangers", "H3"), process: true, needs: needDescribed, run: mutualTLS},
		{Item: core("H4", "it listens where it was told to", "H4"), process: true, needs: needDescribed, run: listensThere},
		{Item: core("H5", "its health is SERVING", "H5"), process: true, needs: needDescribed, run: healthy},
		{Item: core("H6", "its log is lines of JSON", "H6"), process: true, needs: needDescribed, run: logLines},
		{Item: core("C1", "standard output holds the handshake and nothing else", "C1"), process: true, needs: needDescribed, run: cleanOutput},
		{Item: core("C2", "it serves in time", "C2"), process: true, run: servesInTime},
		{Item: core("C6", "it leaves standard input alone", "C6"), process: true, needs: needDescribed, run: leavesInput},
	}
}

func byHand(ctx context.Context, b *bench) error {
	const expected, advice = "a few words on what it is, and its end", "where the variable " + handshake.CookieKey + " is missing, print what the program is for and exit"
	l, err := b.startByHand()
	if err != nil {
		return err
	}
	p := l.process
	select {
	case <-p.exited:
	case <-time.After(b.limits.start):
		return fails(expected, advice, "that it still runs after %v", b.limits.start)
	case <-ctx.Done():
		return ctx.Err()
	}
	p.settleOutput()
	select {
	case line := <-p.greeting:
		return fails(expected, advice, "a handshake, %s", quote(line))
	default:
	}
	if strings.TrimSpace(p.stdout.String()+p.stderr.String()) == "" {
		return fails(expected, advice, "%s without a word", p.cmd.ProcessState)
	}
	return nil
}

// startByHand starts the program as a person does.
func (b *bench) startByHand() (*life, error) {
	e, ok := b.target.(spawner)
	if !ok {
		return nil, skip("this target cannot be started by hand")
	}
	p, err := e.spawn(b.shop, launch{name: b.name, byHand: true})
	if err != nil {
		return nil, err
	}
	l := newLife(b.kit, p)
	b.lives = append(b.lives, l)
	return l, nil
}

// spawner is a target whose runs are processes.
type spawner interface {
	spawn(s *shop, how launch) (*process, error)
}

func versions(ctx context.Context, b *bench) error {
	for _, offered := range []string{fmt.Sprint(handshake.Newest, ",4711"), fmt.Sprint("4711,", handshake.Newest)} {
		l, err := b.launch(ctx, launch{versions: offered})
		if err != nil {
			return err
		}
		if got, err := l.version(); err != nil || got != handshake.Newest {
			return fails(fmt.Sprintf("version %d when %s is %s", handshake.Newest, handshake.EnvVersions, offered),
				"take the highest version that is in the list and that you speak, whatever else the list holds",
				"the handshake %s", quote(l.greeting))
		}
	}
	return nil
}

func mutualTLS(ctx context.Context, b *bench) error {
	const advice = "when " + handshake.EnvClientCertificate + " is set, make a certificate for localhost, serve TLS with it, require a client's certificate and verify it against that one, and give your own as the handshake's sixth field, DER in base64 without padding"
	l, err := b.launch(ctx, launch{})
	if err != nil {
		return err
	}
	if l.certificate() == "" {
		return fails("a certificate as the handshake's sixth field", advice, "the handshake %s", quote(l.greeting))
	}
	for _, stranger := range []struct {
		name string
		who  *identity
	}{{"without a certificate", nil}, {"with another certificate than the host's", b.shop.stranger}} {
		config, err := clientTLS(l.certificate(), stranger.who)
		if err != nil {
			return err
		}
		if err := b.turnsAway(ctx, l, credentials.NewTLS(config), stranger.name, advice); err != nil {
			return err
		}
	}
	return b.turnsAway(ctx, l, insecure.NewCredentials(), "without TLS", advice)
}

// turnsAway sees that a client is refused.
func (b *bench) turnsAway(ctx context.Context, l *life, creds credentials.TransportCredentials, who, advice string) error {
	conn, err := l.connect(creds, 0)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close() }() // only asked once
	ctx, cancel := context.WithTimeout(ctx, b.limits.lifelineExit)
	defer cancel()
	_, err = adapterv1beta1.NewAdapterServiceClient(conn).Describe(ctx, &adapterv1beta1.DescribeRequest{})
	if err == nil {
		return fails("a client "+who+" to be refused", advice, "that Describe was answered")
	}
	return nil
}

func listensThere(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{})
	if err != nil {
		return err
	}
	if l.network() == "unix" {
		if dir := filepath.Dir(filepath.Clean(l.address())); dir != filepath.Clean(l.process.dir) {
			return fails("a socket in the folder "+l.process.dir, "make the socket in the folder that the variable "+handshake.EnvSocketDir+" names", "%s", quote(l.address()))
		}
		return nil
	}
	name, _, err := net.SplitHostPort(l.address())
	if ip := net.ParseIP(name); err != nil || ip == nil || !ip.IsLoopback() {
		return fails("a loopback address and a port", "listen on 127.0.0.1, so that nobody else reaches the adapter", "%s", quote(l.address()))
	}
	return nil
}

func healthy(ctx context.Context, b *bench) error {
	const advice = "register the standard service grpc.health.v1.Health and set the name " + handshake.HealthService + " to SERVING before the handshake is printed"
	l, err := b.launch(ctx, launch{})
	if err != nil {
		return err
	}
	return b.serving(ctx, l.connection, advice)
}

func (b *bench) serving(ctx context.Context, conn *grpc.ClientConn, advice string) error {
	ctx, cancel := context.WithTimeout(ctx, b.o.CallTimeout)
	defer cancel()
	const expected = "SERVING for the name " + handshake.HealthService
	answer, err := grpc_health_v1.NewHealthClient(conn).Check(ctx, &grpc_health_v1.HealthCheckRequest{Service: handshake.HealthService})
	if err != nil {
		return fails(expected, advice, "%s", describe(err))
	}
	if answer.GetStatus() != grpc_health_v1.HealthCheckResponse_SERVING {
		return fails(expected, advice, "%s", answer.GetStatus())
	}
	return nil
}

func servesInTime(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{})
	if err == nil {
		err = l.serves(ctx)
	}
	const advice = "open no hardware before serving, and print the handshake as soon as the socket listens"
	expected := fmt.Sprintf("the handshake and an answer to Describe within %v", b.limits.start)
	if err != nil {
		return fails(expected, advice, "that %v", err)
	}
	if took := time.Since(l.process.started); took > b.limits.start {
		return fails(expected, advice, "the first answer after %v", took.Round(time.Millisecond))
	}
	return nil
}

func leavesInput(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{stdin: true})
	if err == nil {
		err = l.serves(ctx)
	}
	if l == nil || l.process == nil {
		return err
	}
	n, read := l.process.readOfStdin()
	switch {
	case n > 0:
		return fails("nothing to be read", "do not read standard input: it belongs to the host", "that it took %d bytes", n)
	case err != nil:
		return err
	}
	return read
}

// tour is what a whole life of an adapter left on its outputs.
type tour struct{ stdout, stderr string }

// takeTour leads through a whole life: configure, look, open, use, close, shut down.
func takeTour(ctx context.Context, b *bench) (*tour, error) {
	l, err := b.launch(ctx, launch{level: "debug"})
	if err == nil {
		err = l.serves(ctx)
	}
	if err != nil {
		return nil, err
	}
	if b.reached >= needDevice {
		b.visit(ctx, l)
	}
	if _, err := l.Shutdown(ctx, &adapterv1beta1.ShutdownRequest{}); err != nil {
		return nil, unproven("Shutdown ended with %s", describe(err))
	}
	l.process.exitsWithin(time.Now(), b.limits.shutdownExit)
	l.process.settleOutput()
	return &tour{l.process.stdout.String(), l.process.stderr.String()}, nil
}

// visit uses what there is. What fails is for other checks to judge.
func (b *bench) visit(ctx context.Context, l *life) {
	if l.configure(ctx, b.o.Configuration, false) != nil {
		return
	}
	if _, err := b.openListed(ctx, l); err != nil {
		return
	}
	if b.described(ProfileFeed) {
		if t, err := b.flowing(ctx, l); err == nil {
			t.close()
		}
	}
	if b.described(ProfileLink) {
		_, _ = l.ask(ctx, b.o.Requests.Answered, askTimeout)
	}
	_ = l.close(ctx)
}

func cleanOutput(_ context.Context, b *bench) error {
	t, err := b.toured()
	if err != nil {
		return err
	}
	line, rest, _ := strings.Cut(t.stdout, "\n")
	const advice = "print nothing on standard output but the handshake, one line with its end; log on standard error"
	if !greetingForm.MatchString(line) {
		return fails("the handshake as the first line", advice, "%s", quote(t.stdout))
	}
	if rest != "" {
		return fails("nothing after the handshake", advice, "%s", quote(rest))
	}
	return nil
}

func logLines(_ context.Context, b *bench) error {
	t, err := b.toured()
	if err != nil {
		return err
	}
	for line := range strings.Lines(t.stderr) {
		if problem := logProblem(strings.TrimRight(line, "\r\n")); problem != "" {
			return fails("a JSON object with @level, @message and @timestamp in each line",
				"write one such object a line, and nothing else, on standard error", "%s: %s", quote(line), problem)
		}
	}
	return nil
}

// logProblem says what is wrong with a line of log; empty for nothing.
func logProblem(line string) string {
	const most = 64 << 10
	if len(line) >= most {
		return fmt.Sprintf("it has %d bytes", len(line))
	}
	var fields map[string]any
	if err := json.Unmarshal([]byte(line), &fields); err != nil {
		return "it is no JSON object"
	}
	switch level := fields[handshake.LogLevel]; level {
	case "debug", "info", "warn", "error":
	default:
		return fmt.Sprintf("its %s is %v", handshake.LogLevel, level)
	}
	if _, ok := fields[handshake.LogMessage].(string); !ok {
		return fmt.Sprintf("its %s is %v", handshake.LogMessage, fields[handshake.LogMessage])
	}
	at, _ := fields[handshake.LogTime].(string)
	if _, err := time.Parse(time.RFC3339Nano, at); err != nil {
		return fmt.Sprintf("its %s is %v", handshake.LogTime, fields[handshake.LogTime])
	}
	return ""
}
