// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/host/manifest"
	"github.com/airassay/airassay/sdk/internal/handshake"
	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
)

// The test program plays both parts: this variable makes it an adapter or a host.
const (
	roleEnv = "AIRASSAY_TEST_ROLE"
	heldEnv = "AIRASSAY_TEST_HELD" // a file that stands for the hardware while it is held
)

func TestMain(m *testing.M) {
	switch os.Getenv(roleEnv) {
	case "":
		goleak.VerifyTestMain(m)
	case "host":
		playHost()
	default:
		playAdapter()
	}
}

// held is hardware that another process can see.
type held struct{ *fakeConn }

func (h held) Close() error { return os.Remove(os.Getenv(heldEnv)) }

func playAdapter() {
	_, _ = fmt.Fprintln(os.Stdout, "an author's print before Serve")
	f := newFake()
	f.about.Deprecations = []string{"the old cable"}
	f.open = func(context.Context, string) (Conn, error) {
		_, _ = fmt.Fprintln(os.Stdout, "an author's print while serving")
		slog.Info("taken", "id", 1)
		return held{newFakeConn()}, os.WriteFile(os.Getenv(heldEnv), nil, 0o600)
	}
	Serve(f)
}

// caller is the host's side of the plugin library.
type caller struct {
	plugin.NetRPCUnsupportedPlugin
}

func (caller) GRPCServer(*plugin.GRPCBroker, *grpc.Server) error { return io.ErrUnexpectedEOF }
func (caller) GRPCClient(_ context.Context, _ *plugin.GRPCBroker, conn *grpc.ClientConn) (any, error) {
	return adapterv1beta1.NewAdapterServiceClient(conn), nil
}

func command(role string, stderr io.Writer) *exec.Cmd {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), roleEnv+"="+role)
	cmd.Stderr = stderr
	return cmd
}

func launch(cmd *exec.Cmd, stderr io.Writer) (*plugin.Client, adapterv1beta1.AdapterServiceClient, error) {
	sets := map[int]plugin.PluginSet{}
	for version := range handshake.Services {
		sets[version] = plugin.PluginSet{handshake.Plugin: caller{}}
	}
	c := plugin.NewClient(&plugin.ClientConfig{
		HandshakeConfig:  plugin.HandshakeConfig{MagicCookieKey: handshake.CookieKey, MagicCookieValue: handshake.CookieValue},
		VersionedPlugins: sets, Cmd: cmd, AutoMTLS: true, SkipHostEnv: true, Stderr: stderr, AllowedProtocols: []plugin.Protocol{plugin.ProtocolGRPC},
		Logger: hclog.New(&hclog.LoggerOptions{Level: hclog.Off}), StartTimeout: 20 * time.Second,
	})
	protocol, err := c.Client()
	if err != nil {
		return c, nil, err
	}
	raw, err := protocol.Dispense(handshake.Plugin)
	if err != nil {
		return c, nil, err
	}
	api, ok := raw.(adapterv1beta1.AdapterServiceClient)
	if !ok {
		return c, nil, fmt.Errorf("got %T", raw)
	}
	return c, api, nil
}

func hold(ctx context.Context, api adapterv1beta1.AdapterServiceClient) error {
	line, err := api.Lifeline(ctx, &adapterv1beta1.LifelineRequest{})
	if err != nil {
		return err
	}
	if _, err := line.Recv(); err != nil {
		return err
	}
	if _, err := api.Configure(ctx, &adapterv1beta1.ConfigureRequest{}); err != nil {
		return err
	}
	_, err = api.OpenDevice(ctx, &adapterv1beta1.OpenDeviceRequest{DeviceId: "one"})
	return err
}

// playHost starts an adapter, holds it, says its process id and waits for its own end.
func playHost() {
	c, api, err := launch(command("adapter", nil), io.Discard)
	if err == nil {
		err = hold(context.Background(), api)
	}
	if err != nil {
		_, _ = fmt.Fprintln(os.Stdout, err)
		return
	}
	_, _ = fmt.Fprintln(os.Stdout, c.ReattachConfig().Pid)
	time.Sleep(time.Minute)
}

func hardware(t *testing.T) string {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("this system has no signals to send")
	}
	if testing.Short() {
		t.Skip("starts processes and waits for them")
	}
	path := filepath.Join(t.TempDir(), "held")
	t.Setenv(heldEnv, path)
	t.Setenv("PLUGIN_UNIX_SOCKET_DIR", t.TempDir())
	return path
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

func alive(pid int) bool {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil { // no such folder where there is no Linux
		p, err := os.FindProcess(pid)
		return err == nil && p.Signal(syscall.Signal(0)) == nil
	}
	// An orphan that nobody waits for stays as a zombie, state Z after the name in parentheses.
	_, state, _ := strings.Cut(string(text), ") ")
	return !strings.HasPrefix(state, "Z")
}

func eventually(t *testing.T, d time.Duration, what string, f func() bool) {
	t.Helper()
	for began := time.Now(); !f(); time.Sleep(10 * time.Millisecond) {
		if time.Since(began) > d {
			t.Fatalf("not within %v: %s", d, what)
		}
	}
}

func TestK1KilledHostLeavesNoAdapterAndNoHeldHardware(t *testing.T) {
	path := hardware(t)
	host := command("host", os.Stderr)
	out, err := host.StdoutPipe()
	if err == nil {
		err = host.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	var pid int
	if _, err := fmt.Sscan(line, &pid); err != nil {
		t.Fatalf("the host says %q", line)
	}
	if !exists(path) || !alive(pid) {
		t.Fatal("the hardware was not taken")
	}
	if err := host.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = host.Wait()
	eventually(t, 5*time.Second, "the hardware is free", func() bool { return !exists(path) })
	eventually(t, 5*time.Second, "the adapter is gone", func() bool { return !alive(pid) })
}

func TestProcessServesCleanlyAndShutsDown(t *testing.T) {
	path := hardware(t)
	log := &lines{}
	cmd := command("adapter", nil)
	c, api, err := launch(cmd, log)
	defer c.Kill()
	if err != nil {
		t.Fatalf("%v\n%s", err, log)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	if err := hold(ctx, api); err != nil {
		t.Fatal(err)
	}
	if _, err := api.Shutdown(ctx, &adapterv1beta1.ShutdownRequest{}); err != nil {
		t.Fatal(err)
	}
	if exists(path) {
		t.Error("the hardware is still held after Shutdown")
	}
	eventually(t, 2*time.Second, "the adapter is gone", c.Exited)
	if left, _ := filepath.Glob(filepath.Join(os.Getenv("PLUGIN_UNIX_SOCKET_DIR"), "*")); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
	text := log.String()
	if !has(text, "an author's print before Serve", "an author's print while serving", `"@message":"taken"`, "the old cable") {
		t.Errorf("the log lacks something:\n%s", text)
	}
}

func TestTerminatedAdapterReleasesItsHardware(t *testing.T) {
	path := hardware(t)
	cmd := command("adapter", nil)
	c, api, err := launch(cmd, io.Discard)
	defer c.Kill()
	if err == nil {
		err = hold(t.Context(), api)
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	eventually(t, 5*time.Second, "the adapter is gone", c.Exited)
	if exists(path) {
		t.Error("the hardware is still held")
	}
}

func TestK2ProcessWithoutLifelineEnds(t *testing.T) {
	hardware(t)
	log := &lines{}
	cmd := command("adapter", nil)
	c, _, err := launch(cmd, log)
	defer c.Kill()
	if err != nil {
		t.Fatal(err)
	}
	time.Sleep(5 * time.Second)
	if c.Exited() {
		t.Fatal("ended long before the 10 seconds were over")
	}
	eventually(t, 8*time.Second, "the adapter is gone", c.Exited)
	if !has(log.String(), "no lifeline") {
		t.Errorf("the log does not say why:\n%s", log)
	}
}

// output runs the test program as an adapter by hand.
func output(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	o, e := tempFile(t), tempFile(t)
	f := newFake()
	code = run(f, args, &standard{out: o, err: e})
	return code, text(t, o), text(t, e)
}

func tempFile(t *testing.T) *os.File {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), "out"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Close() })
	return f
}

func text(t *testing.T, f *os.File) string {
	t.Helper()
	b, err := os.ReadFile(f.Name())
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestStartedByHandItSaysWhatItIs(t *testing.T) {
	code, out, errs := output(t)
	if code != exitUsage || out != "" || !has(errs, "fake 1.0.0", "adapter for Airassay", "--describe") {
		t.Errorf("%d\n%s\n%s", code, out, errs)
	}
}

func TestDescribePrintsJSON(t *testing.T) {
	code, out, _ := output(t, "--describe")
	var got map[string]any
	if err := json.Unmarshal([]byte(out), &got); err != nil || code != exitGood || got["name"] != "fake" {
		t.Errorf("%d, %v, %s", code, err, out)
	}
}

func TestPrintedManifestIsOneThatAHostStarts(t *testing.T) {
	code, out, errs := output(t, "--manifest")
	if code != exitGood {
		t.Fatalf("%d: %s", code, errs)
	}
	m, err := manifest.Decode(manifest.FileName, []byte(out))
	if err != nil {
		t.Fatal(err)
	}
	m.Dir = filepath.Dir(os.Args[0])
	program, err := m.Verify()
	if err != nil || m.Name != "fake" || !slices.Contains(m.ProtocolVersions, handshake.Newest) {
		t.Fatalf("%v: %s", err, out)
	}
	_ = program.Close() // only read
}

func TestUnusableDescriptionSaysAllThatIsWrong(t *testing.T) {
	for _, d := range []Description{{}, {Name: "A", Version: "1", Abilities: []Ability{9}}} {
		f := newFake()
		f.about = d
		e := tempFile(t)
		if code := run(f, nil, &standard{out: e, err: e}); code != exitBad || !has(text(t, e), "Name", "Version", "Summary", "Abilities") {
			t.Errorf("%d: %s", code, text(t, e))
		}
		if _, _, err := Local(f, nil); err == nil {
			t.Error("Local serves it")
		}
	}
}

func TestDebugServesWhoeverAttaches(t *testing.T) {
	hardware(t)
	cmd := command("adapter", nil)
	cmd.Args = append(cmd.Args, "--debug")
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill() }()
	lines := bufio.NewScanner(out)
	var where handshake.Reattach
	for lines.Scan() {
		if json.Unmarshal(lines.Bytes(), &where) == nil {
			break
		}
	}
	conn, err := grpc.NewClient("passthrough:///adapter", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, where.Network, where.Address)
		}))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	for range 2 {
		ctx, cancel := context.WithCancel(t.Context())
		if err := hold(ctx, adapterv1beta1.NewAdapterServiceClient(conn)); err != nil {
			t.Fatal(err)
		}
		cancel()
		eventually(t, 5*time.Second, "the hardware is free", func() bool { return !exists(os.Getenv(heldEnv)) })
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Error(err)
	}
}
