// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"context"
	"errors"
	"net"
	"os"
	"os/exec"
	"sync"
	"time"

	"github.com/hashicorp/go-hclog"
	plugin "github.com/hashicorp/go-plugin"
	"github.com/hashicorp/go-plugin/runner"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/internal/handshake"
	"github.com/airassay/airassay/sdk/internal/readonly"
)

// Connection is one run of an adapter, from ready to dead. Safe for concurrent use.
type Connection struct {
	// Client calls the adapter. When the adapter dies, calls and streams end with codes.Unavailable.
	Client adapterv1beta1.AdapterServiceClient
	// Description is what the adapter says of itself. It is not changed.
	Description *adapterv1beta1.DescribeResponse
	// ProtocolVersion is the one that both speak.
	ProtocolVersion int
	// PID is the number of its process.
	PID int

	conn     *grpc.ClientConn
	process  *process      // nil when reattached or linked in
	unlink   func()        // ends what is linked in; nil otherwise
	dead     chan struct{} // closed when the adapter is of no more use
	cause    *Failure      // why; set before dead is closed
	lifeline *lifeline
	prints   sync.WaitGroup
	closing  sync.Once
}

// Dead is closed when the adapter has died, hangs or was shut down.
func (c *Connection) Dead() <-chan struct{} { return c.dead }

// launcher makes connections.
type launcher struct {
	o         *Options
	socketDir string
	guard     *readonly.Guard
}

// launch starts the adapter and makes it ready. The context ends the attempt, not the connection. Errors are *Failure.
func (l *launcher) launch(ctx context.Context, configuration string) (*Connection, error) {
	c, err := l.connect(ctx)
	if err == nil {
		err = l.makeReady(ctx, c, configuration)
		if err != nil {
			c.close()
		}
	}
	if err != nil {
		return nil, l.explain(c, err)
	}
	return c, nil
}

// explain completes a failure by what is known of the process.
func (l *launcher) explain(c *Connection, err error) *Failure {
	f, ok := errors.AsType[*Failure](err)
	if !ok {
		f = &Failure{Reason: reasonOf(err), Err: err}
	}
	f.Adapter = l.o.Manifest.Name
	if c != nil && c.process != nil {
		c.process.complete(f)
	}
	return f
}

func reasonOf(err error) Reason {
	if errors.Is(err, errSilent) || errors.Is(err, context.DeadlineExceeded) || status.Code(err) == codes.DeadlineExceeded {
		return ReasonTimeout
	}
	return ReasonCall
}

// complete adds how the process ended, where it did so by itself, and what it last wrote.
func (p *process) complete(f *Failure) {
	f.Stderr = p.logs.Tail()
	// A process whose silent lifeline the host has cut ends because of that.
	if !errors.Is(f.Err, errSilent) {
		f.Exit = p.ending()
	}
}

// connect returns a connection even with an error, where there is a process to tell of.
func (l *launcher) connect(ctx context.Context) (*Connection, error) {
	if l.o.Local != nil {
		return l.link()
	}
	if l.o.Reattach != "" {
		return l.reattach()
	}
	if err := commonVersion(l.o.Manifest.ProtocolVersions); err != nil {
		return nil, &Failure{Reason: ReasonProtocolVersion, Err: err}
	}
	program, refused := verified(l.o.Manifest)
	if refused != nil {
		return nil, refused
	}
	return l.handshake(ctx, program)
}

// greeting is what a start through the plugin library leaves behind.
type greeting struct {
	client  *plugin.Client
	config  *plugin.ClientConfig
	process *process
	address net.Addr
	err     error
}

func (l *launcher) handshake(ctx context.Context, program *os.File) (*Connection, error) {
	made := make(chan *process, 1)
	g := l.prepare(program, made) //nolint:contextcheck // what the adapter writes is logged beyond the attempt to start it
	done := make(chan struct{})
	// The library holds its lock as long as it waits for the handshake, so everything that must go on meanwhile does
	// without it.
	go func() {
		defer close(done)
		g.address, g.err = g.client.Start()
	}()
	select {
	case <-done:
	case <-ctx.Done():
		l.abandon(g, made, done)
	}
	c := &Connection{process: g.process, dead: make(chan struct{})}
	if g.err == nil {
		return c, l.dial(c, g) //nolint:contextcheck // the connection outlives the attempt
	}
	_ = program.Close() // in case that the library never came to start it
	return c, l.whyNoHandshake(ctx, g)
}

// abandon ends a start that is not wanted any more.
func (l *launcher) abandon(g *greeting, made <-chan *process, done <-chan struct{}) {
	select {
	case p := <-made:
		p.kill()
		<-done
	case <-done:
	}
	if g.err == nil {
		g.err = context.Canceled
	}
}

func (l *launcher) prepare(program *os.File, made chan<- *process) *greeting {
	g := &greeting{}
	sets := map[int]plugin.PluginSet{}
	for version := range handshake.Services {
		sets[version] = plugin.PluginSet{}
	}
	g.config = &plugin.ClientConfig{
		HandshakeConfig:  plugin.HandshakeConfig{MagicCookieKey: handshake.CookieKey, MagicCookieValue: handshake.CookieValue},
		VersionedPlugins: sets,
		AllowedProtocols: []plugin.Protocol{plugin.ProtocolGRPC},
		AutoMTLS:         true,
		SkipHostEnv:      true,
		// The operating system chooses the port: a fixed range can be searched and occupied by others.
		MinPort: 0, MaxPort: 1,
		StartTimeout:     l.o.StartTimeout,
		Logger:           hclog.NewNullLogger(),
		UnixSocketConfig: &plugin.UnixSocketConfig{TempDir: l.socketDir},
		RunnerFunc: func(_ hclog.Logger, cmd *exec.Cmd, dir string) (runner.Runner, error) {
			g.process = newProcess(l.o, program, append(cmd.Env, handshake.EnvLogLevel+"="+levelName(l.o.LogLevel)), dir)
			made <- g.process
			return g.process, nil
		},
	}
	g.client = plugin.NewClient(g.config)
	return g
}

// whyNoHandshake finds the cause behind the library's error, and leaves nothing of the attempt behind.
func (l *launcher) whyNoHandshake(ctx context.Context, g *greeting) error {
	p := g.process
	if p == nil {
		return &Failure{Reason: ReasonHost, Err: g.err}
	}
	defer func() { _ = os.RemoveAll(p.socketDir) }() // swept at the next start otherwise
	if f, ok := errors.AsType[*Failure](g.err); ok {
		return f // it was never started
	}
	judged := false
	select {
	case <-p.greeted:
		judged = true
	default:
	}
	p.settle(judged)
	switch {
	case ctx.Err() != nil:
		return &Failure{Reason: ReasonHost, Err: context.Cause(ctx)}
	case judged && p.refusal != nil:
		return p.refusal
	case !judged:
		return failure(ReasonTimeout, "it did not print its handshake within %v of its start", l.o.StartTimeout)
	}
	return failure(ReasonHandshake, "its handshake cannot be used: %w", g.err)
}

// settle ends the process. One that ends by itself gets the moment that this takes, so that it is told how it ended.
func (p *process) settle(ending bool) {
	if ending {
		select {
		case <-p.exited:
			return
		case <-time.After(drainTime):
		}
	}
	p.kill()
	<-p.exited
}

// dial connects without the library, whose own connection opens two streams and a broker that nobody needs, and checks
// health without a deadline.
func (l *launcher) dial(c *Connection, g *greeting) error {
	p := g.process
	var err error
	c.conn, err = dial(g.address, credentials.NewTLS(g.config.TLSConfig))
	c.PID, c.ProtocolVersion = p.pid(), g.client.NegotiatedVersion()
	if err != nil {
		c.close()
		return &Failure{Reason: ReasonHost, Err: err}
	}
	c.Client = l.client(c.conn)
	c.prints.Go(func() { readPrints(c.conn, p) })
	return nil
}

func dial(address net.Addr, creds credentials.TransportCredentials) (*grpc.ClientConn, error) {
	return grpc.NewClient("passthrough:///adapter",
		grpc.WithTransportCredentials(creds),
		grpc.WithNoProxy(),
		grpc.WithDisableServiceConfig(),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(MaxMessageBytes), grpc.MaxCallSendMsgSize(MaxMessageBytes)),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) {
			var d net.Dialer
			return d.DialContext(ctx, address.Network(), address.String())
		}))
}

// makeReady opens the lifeline and makes the calls of the contract's life, each bounded.
func (l *launcher) makeReady(ctx context.Context, c *Connection, configuration string) error {
	life := l.holdLifeline(c) //nolint:contextcheck // the lifeline outlives the attempt
	steps := []struct {
		name string
		call func(context.Context) error
	}{
		{"Lifeline", life.first},
		{"its health", c.checkHealth},
		{"Describe", func(ctx context.Context) error { return l.describe(ctx, c) }},
		{"Configure", func(ctx context.Context) error { return configure(ctx, c.Client, configuration, false) }},
	}
	for _, step := range steps {
		if err := l.step(ctx, c, step.name, step.call); err != nil {
			return err
		}
	}
	return nil
}

func (l *launcher) step(ctx context.Context, c *Connection, name string, call func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, l.o.CallTimeout)
	defer cancel()
	err := call(ctx)
	if err == nil {
		return nil
	}
	if f, ok := errors.AsType[*Failure](err); ok {
		return f
	}
	if c.process != nil && status.Code(err) == codes.Unavailable && c.exitsWithin(exitTime) {
		return failure(ReasonExited, "its process ended during %s", name)
	}
	if status.Code(err) == codes.DeadlineExceeded {
		return failure(ReasonTimeout, "it did not answer %s within %v: %w", name, l.o.CallTimeout, err)
	}
	return failure(reasonOf(err), "%s failed: %w", name, err)
}

// exitsWithin waits for the process's end, which is known a moment after its connections have broken.
func (c *Connection) exitsWithin(limit time.Duration) bool {
	select {
	case <-c.process.exited:
		return true
	case <-time.After(limit):
		return false
	}
}

func (c *Connection) checkHealth(ctx context.Context) error {
	if c.unlink != nil {
		return nil
	}
	answer, err := grpc_health_v1.NewHealthClient(c.conn).Check(ctx, &grpc_health_v1.HealthCheckRequest{Service: handshake.HealthService})
	if err != nil {
		return err
	}
	if answer.GetStatus() != grpc_health_v1.HealthCheckResponse_SERVING {
		return failure(ReasonCall, "its health is %s, expected SERVING", answer.GetStatus())
	}
	return nil
}

func (l *launcher) describe(ctx context.Context, c *Connection) error {
	answer, err := c.Client.Describe(ctx, &adapterv1beta1.DescribeRequest{HostVersion: l.o.HostVersion})
	if err != nil {
		return err
	}
	if name := l.o.Manifest.Name; answer.GetName() != name {
		return failure(ReasonDescription, "it says that its name is %s, but the manifest's is %q", quote(answer.GetName()), name)
	}
	c.Description = answer
	return nil
}

func configure(ctx context.Context, client adapterv1beta1.AdapterServiceClient, configuration string, validateOnly bool) error {
	_, err := client.Configure(ctx, &adapterv1beta1.ConfigureRequest{ConfigurationJson: configuration, ValidateOnly: validateOnly})
	if status.Code(err) == codes.InvalidArgument {
		return failure(ReasonConfiguration, "it refuses its configuration: %w", inWords{err})
	}
	return err
}

// inWords is an adapter's error, shown without what gRPC puts before its message.
type inWords struct{ error }

func (e inWords) Error() string { return status.Convert(e.error).Message() }
func (e inWords) Unwrap() error { return e.error }

// link serves the adapter within this program.
func (l *launcher) link() (*Connection, error) {
	conn, stop, err := l.o.Local(l.o.Logger)
	if err != nil {
		return nil, &Failure{Reason: ReasonDescription, Err: err}
	}
	return &Connection{
		Client: l.client(conn), ProtocolVersion: handshake.Newest,
		conn: conn, unlink: stop, dead: make(chan struct{}),
	}, nil
}

// reattach connects to an adapter that runs already.
func (l *launcher) reattach() (*Connection, error) {
	where, address, err := parseReattach(l.o.Reattach)
	if err != nil {
		return nil, &Failure{Reason: ReasonHost, Err: err}
	}
	conn, err := dial(address, insecure.NewCredentials())
	if err != nil {
		return nil, &Failure{Reason: ReasonHost, Err: err}
	}
	return &Connection{
		Client: l.client(conn), ProtocolVersion: where.ProtocolVersion, PID: where.PID,
		conn: conn, dead: make(chan struct{}),
	}, nil
}
