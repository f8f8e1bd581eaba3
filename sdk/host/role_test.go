// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package host

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	plugin "github.com/hashicorp/go-plugin"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/internal/handshake"
)

// roleArgument makes the test's own program play an adapter, good or bad.
const roleArgument = "play-role"

func TestMain(m *testing.M) {
	if len(os.Args) > 2 && os.Args[1] == roleArgument {
		play(os.Args[2], os.Args[3:])
		return
	}
	goleak.VerifyTestMain(m)
}

// The roles that never serve.
var unserving = map[string]func(args []string){
	"silent":  func([]string) { time.Sleep(time.Hour) },
	"sleeper": func([]string) { time.Sleep(time.Hour) },
	"exits": func([]string) {
		fmt.Fprintln(os.Stderr, "no licence for the bench found")
		os.Exit(3)
	},
	"version 7": func([]string) { greetWith("1|7|unix|" + os.Getenv(handshake.EnvSocketDir) + "/s|grpc|x") },
	"elsewhere": func([]string) { greetWith("1|1|unix|/run/other/s|grpc|x") },
	"far away":  func([]string) { greetWith("1|1|tcp|192.0.2.7:80|grpc|x") },
	"plain":     func([]string) { greetWith("1|1|unix|" + os.Getenv(handshake.EnvSocketDir) + "/s|grpc|") },
	"endless":   func([]string) { greetWith(strings.Repeat("x", 1<<20)) },
	"bad cert": func([]string) {
		greetWith("1|1|unix|" + os.Getenv(handshake.EnvSocketDir) + "/s|grpc|" + strings.Repeat("A", 400))
	},
	"host":       playHost,
	"chatty end": func([]string) { panic("the bench is on fire") },
}

func greetWith(line string) {
	_, _ = fmt.Println(line) //nolint:forbidigo // the handshake goes to standard output
	time.Sleep(time.Hour)
}

func play(role string, args []string) {
	if f, ok := unserving[role]; ok {
		f(args)
		return
	}
	fake := &fake{role: role, args: args, logs: os.Stderr}
	fake.before()
	plugin.Serve(&plugin.ServeConfig{
		HandshakeConfig:  plugin.HandshakeConfig{MagicCookieKey: handshake.CookieKey, MagicCookieValue: handshake.CookieValue},
		VersionedPlugins: map[int]plugin.PluginSet{handshake.Newest: {handshake.Plugin: fake}},
		GRPCServer:       plugin.DefaultGRPCServer,
	})
}

// fake is an adapter that does one thing wrong, or none.
type fake struct {
	adapterv1beta1.UnimplementedAdapterServiceServer
	plugin.NetRPCUnsupportedPlugin

	role string
	args []string
	logs io.Writer
}

func (f *fake) GRPCServer(_ *plugin.GRPCBroker, s *grpc.Server) error {
	adapterv1beta1.RegisterAdapterServiceServer(s, f)
	return nil
}

func (f *fake) GRPCClient(context.Context, *plugin.GRPCBroker, *grpc.ClientConn) (any, error) {
	return nil, nil //nolint:nilnil // never called in an adapter
}

func (f *fake) before() {
	switch f.role {
	case "prints":
		_, _ = fmt.Println("welcome to the bench") //nolint:forbidigo // what it is for
	case "malformed logs":
		for _, line := range []string{`{"@message":5}`, `{"@level":{},"@message":null,"@timestamp":[]}`, `{"@message":"ok","a":[1,{}]}`, "{", "\xff\xfe\x00\x1b[31m", `[1,2]`, "null"} {
			_, _ = fmt.Fprintln(f.logs, line)
		}
		_, _ = fmt.Fprintln(f.logs, strings.Repeat("long", 50_000))
	case "flood":
		w := bufio.NewWriter(f.logs)
		for i := range 200_000 {
			_, _ = fmt.Fprintln(w, "line", i)
		}
		_ = w.Flush()
	case "grandchild":
		child := exec.Command(os.Args[0], roleArgument, "sleeper")
		child.Stderr = os.Stderr // holds the host's pipe open
		if err := child.Start(); err == nil {
			_ = os.WriteFile(f.args[0], []byte(strconv.Itoa(child.Process.Pid)), 0o600)
		}
	case "lets one escape":
		child := exec.Command(os.Args[0], roleArgument, "sleeper")
		child.Stdout, child.Stderr = os.Stdout, os.Stderr // holds the host's pipes open
		leaveGroup(child)
		if err := child.Start(); err == nil {
			_ = os.WriteFile(f.args[0], []byte(strconv.Itoa(child.Process.Pid)), 0o600)
		}
	case "environment":
		_ = os.WriteFile(f.args[0], []byte(strings.Join(os.Environ(), "\n")), 0o600)
	case "stdin":
		data, _ := io.ReadAll(os.Stdin)
		_ = os.WriteFile(f.args[0], []byte(strconv.Itoa(len(data))), 0o600)
	}
}

func (f *fake) Describe(ctx context.Context, _ *adapterv1beta1.DescribeRequest) (*adapterv1beta1.DescribeResponse, error) {
	answer := &adapterv1beta1.DescribeResponse{Name: "bench", Version: "1.0.0", Summary: "A bench."}
	switch f.role {
	case "dies in Describe":
		os.Exit(7)
	case "hangs in Describe":
		<-ctx.Done()
		time.Sleep(time.Hour)
	case "other name":
		answer.Name = "other"
	case "huge description":
		answer.Summary = strings.Repeat("x", MaxMessageBytes)
	case "prints much":
		for range 10_000 {
			_, _ = fmt.Println("something that was meant for nobody") //nolint:forbidigo // what it is for
		}
	}
	return answer, nil
}

func (f *fake) Configure(_ context.Context, r *adapterv1beta1.ConfigureRequest) (*adapterv1beta1.ConfigureResponse, error) {
	switch {
	case f.role == "dies in Configure":
		os.Exit(8)
	case strings.Contains(r.GetConfigurationJson(), "bad"):
		return nil, status.Error(codes.InvalidArgument, "port: no such port")
	}
	return &adapterv1beta1.ConfigureResponse{}, nil
}

func (f *fake) Lifeline(_ *adapterv1beta1.LifelineRequest, s grpc.ServerStreamingServer[adapterv1beta1.LifelineResponse]) error {
	started := time.Now()
	for tick := time.Tick(50 * time.Millisecond); ; {
		frozen := f.role == "freezes" && time.Since(started) > 300*time.Millisecond
		if !frozen && f.role != "no lifeline" {
			if err := s.Send(&adapterv1beta1.LifelineResponse{NowUs: time.Since(started).Microseconds()}); err != nil {
				os.Exit(0)
			}
		}
		if f.role == "drops its lifeline" && time.Since(started) > 300*time.Millisecond {
			return nil
		}
		select {
		case <-tick:
		case <-s.Context().Done():
			if f.role != "clings" {
				os.Exit(0)
			}
			return nil
		}
	}
}

func (f *fake) Shutdown(ctx context.Context, _ *adapterv1beta1.ShutdownRequest) (*adapterv1beta1.ShutdownResponse, error) {
	switch f.role {
	case "hangs in Shutdown":
		<-ctx.Done()
		time.Sleep(time.Hour)
	case "ignores Shutdown":
		return &adapterv1beta1.ShutdownResponse{}, nil
	case "orderly":
		_ = os.WriteFile(f.args[0], []byte("released"), 0o600)
	}
	time.AfterFunc(20*time.Millisecond, func() { os.Exit(0) })
	return &adapterv1beta1.ShutdownResponse{}, nil
}

func (f *fake) ListDevices(context.Context, *adapterv1beta1.ListDevicesRequest) (*adapterv1beta1.ListDevicesResponse, error) {
	if f.role == "huge answer" {
		return &adapterv1beta1.ListDevicesResponse{Devices: []*adapterv1beta1.Device{{Id: strings.Repeat("x", MaxMessageBytes)}}}, nil
	}
	return &adapterv1beta1.ListDevicesResponse{Devices: []*adapterv1beta1.Device{{Id: "bench-1"}}}, nil
}

// Feed sends batches of the size that the wanted rate gives, as fast as they are read.
func (f *fake) Feed(s grpc.BidiStreamingServer[adapterv1beta1.FeedRequest, adapterv1beta1.FeedResponse]) error {
	request, err := s.Recv()
	if err != nil {
		return err
	}
	n := int(request.GetSignals()[0].GetRateHz())
	batch := &adapterv1beta1.FeedBatch{OffsetUs: make([]int64, n), Signal: make([]int32, n), Value: make([]float64, n)}
	for i := range n {
		batch.OffsetUs[i], batch.Value[i] = int64(i)*1000, 12.5+float64(i)
	}
	for sequence := int64(1); ; sequence++ {
		if f.role == "dies in a stream" && sequence > 10 {
			os.Exit(9)
		}
		batch.Sequence = sequence
		if err := s.Send(&adapterv1beta1.FeedResponse{Message: &adapterv1beta1.FeedResponse_Batch{Batch: batch}}); err != nil {
			return err
		}
	}
}
