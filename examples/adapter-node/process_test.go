// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package adapternode

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"errors"
	"io"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/emptypb"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

const (
	cookie = "AIRASSAY_ADAPTER_COOKIE=7c1d5a0e-airassay-adapter-2f94b6e3"
	flawed = "not the cookie"
)

// identity is a certificate such as a host makes for itself, and its key.
func identity(t *testing.T) (cert tls.Certificate, asPEM string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P521(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth},
		KeyUsage:    x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
		NotBefore:   time.Now().Add(-time.Minute), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
}

// child is the adapter without the host package around it, so that a test can do what a host never does: nothing here
// signals its group when the host is gone.
type child struct {
	adapterv1beta1.AdapterServiceClient

	t        *testing.T
	cmd      *exec.Cmd
	own      tls.Certificate
	greeting []string
	conn     *grpc.ClientConn
	out      *bufio.Reader
	errs     *os.File // where its standard error is read
	cable    string
	sockets  string
}

// spawn starts the adapter. Each change is a variable of its environment.
func spawn(t *testing.T, changes ...string) *child {
	t.Helper()
	m := installed(t, "program")
	own, asPEM := identity(t)
	sockets, err := os.MkdirTemp("/tmp", "adapter") //nolint:usetesting // a test's own folder is too long for a socket
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(sockets) })
	c := &child{t: t, own: own, cable: plug(t), sockets: sockets}
	c.cmd = exec.Command(m.Executable, m.Arguments...)
	c.cmd.Dir = m.Dir
	c.cmd.Env = append([]string{"PATH=" + os.Getenv("PATH"), cookie, "PLUGIN_PROTOCOL_VERSIONS=1", "PLUGIN_UNIX_SOCKET_DIR=" + sockets, "PLUGIN_CLIENT_CERT=" + asPEM}, changes...)
	errs, write, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	c.errs, c.cmd.Stderr = errs, write
	out, err := c.cmd.StdoutPipe()
	if err == nil {
		err = c.cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	_ = write.Close() // the adapter has its own
	c.out = bufio.NewReader(out)
	t.Cleanup(func() {
		_ = c.cmd.Process.Kill()
		_ = c.cmd.Wait() // it was killed, or has been waited for
		_ = errs.Close() // only read
	})
	return c
}

// greeted reads the handshake and connects.
func greeted(t *testing.T, changes ...string) *child {
	t.Helper()
	c := spawn(t, changes...)
	line, err := c.out.ReadString('\n')
	if err != nil {
		said, _ := io.ReadAll(c.errs)
		t.Fatalf("%v: %q\n%s", err, line, said)
	}
	c.greeting = strings.Split(strings.TrimSuffix(line, "\n"), "|")
	c.conn = c.dial(credentials.NewTLS(c.tls(c.own)))
	c.AdapterServiceClient = adapterv1beta1.NewAdapterServiceClient(c.conn)
	return c
}

// tls is what a host makes of the handshake: no authority counts but the certificate in it.
func (c *child) tls(own ...tls.Certificate) *tls.Config {
	c.t.Helper()
	der, err := base64.RawStdEncoding.DecodeString(c.greeting[5])
	if err != nil {
		c.t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		c.t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(cert)
	return &tls.Config{RootCAs: roots, ServerName: "localhost", Certificates: own, MinVersion: tls.VersionTLS12}
}

func (c *child) dial(creds credentials.TransportCredentials) *grpc.ClientConn {
	c.t.Helper()
	conn, err := grpc.NewClient("passthrough:///adapter", grpc.WithTransportCredentials(creds),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, c.greeting[2], c.greeting[3])
		}))
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// hold opens the lifeline and the box.
func (c *child) hold() {
	c.t.Helper()
	ctx := within(c.t)
	line, err := c.Lifeline(ctx, &adapterv1beta1.LifelineRequest{})
	if err == nil {
		_, err = line.Recv()
	}
	if err == nil {
		_, err = c.Configure(ctx, &adapterv1beta1.ConfigureRequest{ConfigurationJson: string(configuration(c.t, map[string]any{"cable": c.cable}))})
	}
	if err == nil {
		_, err = c.OpenDevice(ctx, &adapterv1beta1.OpenDeviceRequest{DeviceId: box})
	}
	if err != nil || !exists(c.cable+".lock") {
		c.t.Fatalf("the box is not held: %v", err)
	}
}

// ends checks that it ends, with the box free and its socket gone.
func (c *child) ends(limit time.Duration, code int) {
	c.t.Helper()
	began := time.Now()
	timer := time.AfterFunc(limit, func() { _ = c.cmd.Process.Kill() })
	defer timer.Stop()
	err := c.cmd.Wait()
	c.t.Logf("ended after %v: %v", time.Since(began), c.cmd.ProcessState)
	if c.cmd.ProcessState.ExitCode() != code {
		c.t.Errorf("ended with %v (%v), want exit code %d", c.cmd.ProcessState, err, code)
	}
	if exists(c.cable + ".lock") {
		c.t.Error("the box is still held")
	}
	if left, _ := filepath.Glob(filepath.Join(c.sockets, "*")); len(left) > 0 {
		c.t.Errorf("left behind: %q", left)
	}
}

func TestHandshakeIsTheOnlyLineOnStandardOutput(t *testing.T) {
	for versions, want := range map[string]string{"1": "1", "3,2,1": "1", "7": "1", "": "1"} {
		c := greeted(t, "PLUGIN_PROTOCOL_VERSIONS="+versions)
		if len(c.greeting) != 6 || c.greeting[0] != "1" || c.greeting[1] != want || c.greeting[2] != "unix" || filepath.Dir(c.greeting[3]) != c.sockets || c.greeting[4] != "grpc" {
			t.Errorf("handshake %q", c.greeting)
		}
		if strings.HasSuffix(c.greeting[5], "=") {
			t.Error("the certificate is padded")
		}
		c.hold()
		if _, err := c.Shutdown(within(t), &adapterv1beta1.ShutdownRequest{}); err != nil {
			t.Error(err)
		}
		if rest, err := io.ReadAll(c.out); err != nil || len(rest) > 0 {
			t.Errorf("C1: more on standard output: %q, %v", rest, err)
		}
		c.ends(2*time.Second, 0)
	}
}

// Whoever else finds the socket must get nothing, not even with the adapter's certificate in hand.
func TestOnlyItsHostCanUseIt(t *testing.T) {
	c := greeted(t)
	stranger, _ := identity(t)
	for who, creds := range map[string]credentials.TransportCredentials{
		"another certificate": credentials.NewTLS(c.tls(stranger)),
		"no certificate":      credentials.NewTLS(c.tls()),
		"no TLS":              insecure.NewCredentials(),
	} {
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		_, err := adapterv1beta1.NewAdapterServiceClient(c.dial(creds)).Describe(ctx, &adapterv1beta1.DescribeRequest{})
		cancel()
		if status.Code(err) != codes.Unavailable {
			t.Errorf("%s: %v", who, err)
		}
	}
	if _, err := c.Describe(within(t), &adapterv1beta1.DescribeRequest{}); err != nil {
		t.Errorf("the host itself: %v", err)
	}
}

func TestHealthAndController(t *testing.T) {
	c := greeted(t)
	health := grpc_health_v1.NewHealthClient(c.conn)
	r, err := health.Check(within(t), &grpc_health_v1.HealthCheckRequest{Service: "plugin"})
	if err != nil || r.GetStatus() != grpc_health_v1.HealthCheckResponse_SERVING {
		t.Errorf("health %v, %v", r, err)
	}
	if _, err := health.Check(within(t), &grpc_health_v1.HealthCheckRequest{Service: "other"}); status.Code(err) != codes.NotFound {
		t.Errorf("another service: %v", err)
	}
	c.hold()
	if err := c.conn.Invoke(within(t), "/plugin.GRPCController/Shutdown", &emptypb.Empty{}, &emptypb.Empty{}); err != nil {
		t.Error(err)
	}
	c.ends(2*time.Second, 0)
}

func TestSecondShutdownSucceedsAndCallsAreRefusedMeanwhile(t *testing.T) {
	c := greeted(t)
	c.hold()
	for range 2 {
		if _, err := c.Shutdown(within(t), &adapterv1beta1.ShutdownRequest{}); err != nil {
			t.Errorf("Q2: %v", err)
		}
	}
	if exists(c.cable + ".lock") {
		t.Error("Q1: the box is still held after the answer")
	}
	_, err := c.OpenDevice(within(t), &adapterv1beta1.OpenDeviceRequest{DeviceId: box})
	refused(t, err, codes.Aborted, "CLOSED")
	c.ends(2*time.Second, 0)
}

// A host that was killed reads no more logs: the next line must not end the process before the hardware is free.
func TestBrokenLifelineReleasesTheBoxThoughNobodyReads(t *testing.T) {
	c := greeted(t, "AIRASSAY_ADAPTER_LOG_LEVEL=debug")
	c.hold()
	if err := errors.Join(c.errs.Close(), c.conn.Close()); err != nil {
		t.Fatal(err)
	}
	c.ends(5*time.Second, 0)
}

func TestTerminatedAdapterReleasesTheBox(t *testing.T) {
	c := greeted(t)
	c.hold()
	if err := c.cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Describe(within(t), &adapterv1beta1.DescribeRequest{}); err != nil {
		t.Errorf("an interrupt is the host's affair: %v", err)
	}
	if err := c.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	c.ends(5*time.Second, 0)
}

func TestStartedByHandItSaysWhatItIs(t *testing.T) {
	for _, by := range []string{"AIRASSAY_ADAPTER_COOKIE=", "AIRASSAY_ADAPTER_COOKIE=" + flawed} {
		c := spawn(t, by)
		out, _ := io.ReadAll(c.out)
		errs, _ := io.ReadAll(c.errs)
		if len(out) > 0 || !bytes.Contains(errs, []byte("adapter for Airassay")) || !bytes.Contains(errs, []byte("--describe")) {
			t.Errorf("%s: %s\n%s", by, out, errs)
		}
		c.ends(5*time.Second, 2)
	}
	out, err := exec.Command(node(t), "adapter.js", "--describe").Output()
	var about struct {
		Name    string `json:"name"`
		Version string `json:"version"`
	}
	if err != nil || json.Unmarshal(out, &about) != nil || about.Name != name || about.Version != installed(t, "program").Version {
		t.Errorf("%v: %s", err, out)
	}
}

func TestHostThatGivesNoCertificateIsRefused(t *testing.T) {
	c := spawn(t, "PLUGIN_CLIENT_CERT=")
	out, _ := io.ReadAll(c.out)
	errs, _ := io.ReadAll(c.errs)
	if len(out) > 0 || !bytes.Contains(errs, []byte("PLUGIN_CLIENT_CERT is not set")) {
		t.Errorf("%s\n%s", out, errs)
	}
	c.ends(5*time.Second, 3)
}
