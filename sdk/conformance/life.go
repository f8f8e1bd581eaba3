// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"fmt"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/types/known/durationpb"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/host"
)

// life is one run of an adapter, from its start to its end.
type life struct {
	adapterv1beta1.AdapterServiceClient

	kit        *kit
	process    *process // nil in process
	greeting   string
	connection *grpc.ClientConn
	stop       func()        // ends what runs in process
	log        *lockedBuffer // in process
	clock      *clock

	cut      context.CancelFunc // breaks the lifeline; nil before hold
	lifeOver chan struct{}      // closed when the lifeline has ended
	ending   sync.Once
}

func newLife(k *kit, p *process) *life {
	return &life{kit: k, process: p, clock: newClock(), lifeOver: make(chan struct{})}
}

// bounded gives each unary call that has no deadline one.
type bounded struct {
	grpc.ClientConnInterface

	limit time.Duration
}

func (b bounded) Invoke(ctx context.Context, method string, args, reply any, o ...grpc.CallOption) error {
	ctx, cancel := context.WithTimeout(ctx, b.limit)
	defer cancel()
	return b.ClientConnInterface.Invoke(ctx, method, args, reply, o...)
}

func (l *life) use(conn *grpc.ClientConn) {
	l.AdapterServiceClient = adapterv1beta1.NewAdapterServiceClient(bounded{conn, l.kit.o.CallTimeout})
}

// field gives one field of the handshake's line.
func (l *life) field(n int) string {
	fields := strings.Split(l.greeting, "|")
	if n >= len(fields) {
		return ""
	}
	return fields[n]
}

func (l *life) network() string     { return l.field(2) }
func (l *life) address() string     { return l.field(3) }
func (l *life) certificate() string { return l.field(5) }

func (l *life) version() (int, error) { return strconv.Atoi(l.field(1)) }

// dial connects as a host does; without TLS where the adapter serves none, which is for a check to judge.
func (l *life) dial(who *identity, window int32) (*grpc.ClientConn, error) {
	if l.certificate() == "" {
		return l.connect(insecure.NewCredentials(), window)
	}
	config, err := clientTLS(l.certificate(), who)
	if err != nil {
		return nil, err
	}
	return l.connect(credentials.NewTLS(config), window)
}

func (l *life) connect(creds credentials.TransportCredentials, window int32) (*grpc.ClientConn, error) {
	options := []grpc.DialOption{
		grpc.WithTransportCredentials(creds), grpc.WithNoProxy(), grpc.WithDisableServiceConfig(),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(host.MaxMessageBytes), grpc.MaxCallSendMsgSize(host.MaxMessageBytes)),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, l.network(), l.address())
		}),
	}
	if window > 0 {
		options = append(options, grpc.WithInitialWindowSize(window), grpc.WithInitialConnWindowSize(4*window))
	}
	return grpc.NewClient("passthrough:///adapter", options...)
}

// serves waits for the first answer to a call.
func (l *life) serves(ctx context.Context) error {
	if _, err := l.Describe(ctx, &adapterv1beta1.DescribeRequest{HostVersion: hostVersion}); err != nil {
		return fmt.Errorf("the first call, Describe, ended with %s", describe(err))
	}
	return nil
}

// hostVersion is what the kit says of itself.
const hostVersion = "conformance kit"

// hold opens the lifeline. That it beats is for a check to judge. It lives as long as the adapter, not as the call.
func (l *life) hold() error {
	ctx, cancel := context.WithCancel(context.Background())
	l.cut = cancel
	stream, err := l.Lifeline(ctx, &adapterv1beta1.LifelineRequest{})
	if err != nil {
		close(l.lifeOver)
		return fmt.Errorf("Lifeline ended with %s", describe(err))
	}
	go func() {
		defer close(l.lifeOver)
		for {
			m, err := stream.Recv()
			if err != nil {
				return
			}
			l.clock.add(beat{time.Now(), m.GetNowUs()})
		}
	}()
	return nil
}

func (l *life) configure(ctx context.Context, text string, validateOnly bool) error {
	_, err := l.Configure(ctx, &adapterv1beta1.ConfigureRequest{ConfigurationJson: text, ValidateOnly: validateOnly})
	return err
}

func (l *life) list(ctx context.Context) ([]*adapterv1beta1.Device, error) {
	answer, err := l.ListDevices(ctx, &adapterv1beta1.ListDevicesRequest{})
	return answer.GetDevices(), err
}

func (l *life) open(ctx context.Context) (*adapterv1beta1.OpenDeviceResponse, error) {
	return l.OpenDevice(ctx, &adapterv1beta1.OpenDeviceRequest{DeviceId: l.kit.device})
}

func (l *life) close(ctx context.Context) error {
	_, err := l.CloseDevice(ctx, &adapterv1beta1.CloseDeviceRequest{DeviceId: l.kit.device})
	return err
}

func (l *life) ask(ctx context.Context, r Request, timeout time.Duration) (*adapterv1beta1.SendRequestResponse, error) {
	return l.SendRequest(ctx, l.request(r, timeout))
}

func (l *life) request(r Request, timeout time.Duration) *adapterv1beta1.SendRequestRequest {
	return &adapterv1beta1.SendRequestRequest{
		DeviceId: l.kit.device, Payload: r.Payload, Target: r.Target, Timeout: durationpb.New(timeout),
	}
}

// tail gives the last lines of the adapter's log.
func (l *life) tail(most int) []string {
	switch {
	case l.process != nil:
		return l.process.stderr.tail(most)
	case l.log != nil:
		return lastLines(l.log.String(), most)
	}
	return nil
}

// end asks the adapter to shut down and waits for the answer, after which the hardware is free for the next run. What
// remains goes on beside the next check.
func (l *life) end(rest *sync.WaitGroup) {
	l.ending.Do(func() {
		if l.process == nil {
			l.stop()
			l.disconnect()
			return
		}
		patience := 500 * time.Millisecond
		if l.AdapterServiceClient != nil && !l.process.hasExited() {
			ctx, cancel := context.WithTimeout(context.Background(), l.kit.limits.lifelineExit)
			defer cancel()
			if _, err := l.Shutdown(ctx, &adapterv1beta1.ShutdownRequest{}); err == nil {
				patience += l.kit.limits.shutdownExit
			}
		}
		rest.Go(func() {
			l.process.end(patience)
			l.disconnect()
		})
	})
}

func (l *life) disconnect() {
	if l.cut != nil {
		l.cut()
		<-l.lifeOver
	}
	if l.connection != nil {
		_ = l.connection.Close() // fails only where it is closed already
	}
}
