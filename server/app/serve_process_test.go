// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

func TestServeSaysThatItIsReadyAndEndsWell(t *testing.T) {
	if onWindows {
		t.Skip("skipped: processes cannot be asked to end there")
	}
	data := filepath.Join(t.TempDir(), "state", "airassay")
	// The program itself: it is what listens to signals.
	p := startProcess(t, built(t), "serve", "--listen", "127.0.0.1:0", "--data", data, "--log-level", "debug")
	conn, err := grpc.NewClient(p.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := pb.NewVehicleServiceClient(conn).ListVehicles(t.Context(), &pb.ListVehiclesRequest{}); err != nil {
		t.Error(err)
	}
	if _, _, diagnostics := call(t, "serve", "--listen", "127.0.0.1:0", "--data", data); !strings.Contains(diagnostics, "stop the other server") {
		t.Errorf("a second server on the same data says %s", diagnostics)
	}
	if err := errors.Join(conn.Close(), p.stop()); err != nil {
		t.Errorf("it ended with %v", err)
	}
	log := p.log.String()
	for line := range strings.Lines(log) {
		var record map[string]any
		if err := json.Unmarshal([]byte(line), &record); err != nil {
			t.Errorf("no JSON: %s", line)
		}
	}
	for _, want := range []string{`"msg":"ready"`, `/airassay.v1beta1.VehicleService/ListVehicles`, `"msg":"going down"`, `"msg":"drained"`} {
		if !strings.Contains(log, want) {
			t.Errorf("the log lacks %s:\n%s", want, log)
		}
	}
	info, err := os.Stat(data)
	if err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("the directory is %v (%v)", info.Mode(), err)
	}
}

func TestServeRefusesWhatIsUnsafeOrUnclear(t *testing.T) {
	dir := t.TempDir()
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = taken.Close() }() // Nothing was written to it.
	plain := writeFile(t, "plain.txt", "no certificate")
	for name, c := range map[string]struct {
		args []string
		want string
	}{
		"all addresses":            {[]string{"--listen", ":0"}, "--insecure-plaintext-network"},
		"another machine's":        {[]string{"--listen", "192.0.2.1:7632"}, "--tls-cert"},
		"no port":                  {[]string{"--listen", "127.0.0.1"}, "HOST:PORT"},
		"an address that is used":  {[]string{"--listen", taken.Addr().String()}, "another program has it"},
		"no path":                  {[]string{"--listen", "unix:"}, "unix:/PATH"},
		"a file that is no socket": {[]string{"--listen", "unix:" + plain}, "not a socket"},
		"a certificate alone":      {[]string{"--listen", "127.0.0.1:0", "--tls-cert", plain}, "give both"},
		"authorities alone":        {[]string{"--listen", "127.0.0.1:0", "--tls-client-ca", plain}, "give both"},
		"no certificate":           {[]string{"--listen", "127.0.0.1:0", "--tls-cert", plain, "--tls-key", plain}, "PEM"},
		"an argument":              {[]string{"now"}, "takes no arguments"},
		"a level that is none":     {[]string{"--log-level", "loud"}, "--log-level"},
		"data that is a file":      {[]string{"--listen", "127.0.0.1:0", "--data", plain}, "name a directory"},
		"an empty directory name":  {[]string{"--data", ""}, "--data is empty"},
		"a negative drain":         {[]string{"--listen", "127.0.0.1:0", "--drain", "-1s"}, "--drain"},
	} {
		t.Run(name, func(t *testing.T) {
			args := append([]string{"serve"}, c.args...)
			if !strings.Contains(strings.Join(args, " "), "--data") {
				args = append(args, "--data", filepath.Join(dir, "data"))
			}
			status, out, diagnostics := call(t, args...)
			if status != StatusRefused || out != "" || !strings.Contains(diagnostics, c.want) {
				t.Errorf("status %d, %q, %s; want %q", status, out, diagnostics, c.want)
			}
		})
	}
}

func TestDataGoWhereStateBelongs(t *testing.T) {
	if onWindows {
		t.Skip("skipped: another convention holds there")
	}
	for name, c := range map[string]struct{ state, home, want string }{
		"state home":              {"/x/state", "/me", "/x/state/airassay"},
		"home":                    {"", "/me", "/me/.local/state/airassay"},
		"relative paths are void": {"state", "/me", "/me/.local/state/airassay"},
		"nowhere":                 {"", "", ""},
	} {
		t.Setenv("XDG_STATE_HOME", c.state)
		t.Setenv("HOME", c.home)
		if got, err := defaultData(); got != c.want || (err != nil) != (c.want == "") {
			t.Errorf("%s: %q (%v), want %q", name, got, err, c.want)
		}
	}
}

func TestASocketOfTheFileSystemIsItsOwnersAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.sock")
	listen := func(o *ServeOptions) { o.Listen = "unix:" + path }
	// One that a killed server left behind.
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: path})
	if err != nil {
		t.Fatal(err)
	}
	l.SetUnlinkOnClose(false)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	s := serveHere(t, listen)
	if got := s.app.Address(); got != "unix:"+path {
		t.Errorf("the address is %s", got)
	}
	s.vehicle()
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the socket is %v (%v)", info.Mode(), err)
	}
	o := ServeOptions{Data: t.TempDir()}
	listen(&o)
	if _, err := New(t.Context(), o); err == nil || !strings.Contains(err.Error(), "another program has it") {
		t.Errorf("a second server at the same socket: %v", err)
	}
	if err := s.stop(); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the socket is still there (%v)", err)
	}
}

// certificate makes a certificate with its key, signed by a parent or itself.
func certificate(t *testing.T, parent *tls.Certificate, use x509.ExtKeyUsage) (tls.Certificate, string, string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "airassay test " + serial.String()}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{use}, IsCA: parent == nil, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	signer, signerKey := template, any(key)
	if parent != nil {
		signer, signerKey = parent.Leaf, parent.PrivateKey
	}
	der, err := x509.CreateCertificate(rand.Reader, template, signer, &key.PublicKey, signerKey)
	if err != nil {
		t.Fatal(err)
	}
	encoded, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	certFile := writeFile(t, serial.String()+".crt", string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})))
	keyFile := writeFile(t, serial.String()+".key", string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: encoded})))
	pair, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		t.Fatal(err)
	}
	return pair, certFile, keyFile
}

func TestBeyondThisMachineOnlyTheCertifiedGetIn(t *testing.T) {
	authority, authorityFile, _ := certificate(t, nil, x509.ExtKeyUsageAny)
	_, certFile, keyFile := certificate(t, &authority, x509.ExtKeyUsageServerAuth)
	known, _, _ := certificate(t, &authority, x509.ExtKeyUsageClientAuth)
	stranger, _, _ := certificate(t, nil, x509.ExtKeyUsageClientAuth)
	s := serveHere(t, func(o *ServeOptions) {
		o.Listen, o.TLSCert, o.TLSKey, o.TLSClientCA = "0.0.0.0:0", certFile, keyFile, authorityFile
	})
	_, port, err := net.SplitHostPort(s.app.Address())
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(authority.Leaf)
	for name, c := range map[string]struct {
		credentials credentials.TransportCredentials
		code        codes.Code
	}{
		"known":          {credentials.NewTLS(&tls.Config{RootCAs: pool, Certificates: []tls.Certificate{known}}), codes.OK},
		"stranger":       {credentials.NewTLS(&tls.Config{RootCAs: pool, Certificates: []tls.Certificate{stranger}}), codes.Unavailable},
		"no certificate": {credentials.NewTLS(&tls.Config{RootCAs: pool}), codes.Unavailable},
		"plain text":     {insecure.NewCredentials(), codes.Unavailable},
	} {
		t.Run(name, func(t *testing.T) {
			conn, err := grpc.NewClient("127.0.0.1:"+port, grpc.WithTransportCredentials(c.credentials))
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = conn.Close() }() // The call tells.
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
			defer cancel()
			if _, err := pb.NewVehicleServiceClient(conn).ListVehicles(ctx, &pb.ListVehiclesRequest{}); !codeIs(err, c.code) {
				t.Errorf("got %v, want %s", err, c.code)
			}
		})
	}
}

func TestWhatWasStoredIsThereAfterARestart(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	keep := func(o *ServeOptions) { o.Data = data }
	first := serveHere(t, keep)
	opened := first.session().GetName()
	c := first.capture(opened).GetName()
	first.pushAll(c, batch(1, 50), batch(2, 50))
	before := must(first.verdicts.AssessSession(first.context(), &pb.AssessSessionRequest{Session: opened}))(t).GetVerdict()
	if err := first.stop(); err != nil {
		t.Fatal(err)
	}
	second := serveHere(t, keep)
	after := must(second.verdicts.AssessSession(second.context(), &pb.AssessSessionRequest{Session: opened}))(t).GetVerdict()
	if !sameBytes(t, before, after) {
		t.Errorf("before %v, after %v", before, after)
	}
	p := must(second.open(second.context(), c, 0))(t)
	if p.opened.GetLastSequence() != 2 {
		t.Errorf("opened at %v", p.opened)
	}
	if err := p.end(); err != nil {
		t.Error(err)
	}
}

// stalled opens a stream that no drain can end by itself: its handler waits for
// the client.
func stalled(t *testing.T, address string) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	stream, err := reflectionpb.NewServerReflectionClient(conn).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	ask := &reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}}
	if err := stream.Send(ask); err != nil {
		t.Fatal(err)
	}
	got, err := stream.Recv()
	if err != nil || len(got.GetListServicesResponse().GetService()) < 4 {
		t.Fatalf("the services are %v (%v)", got, err)
	}
	return conn
}

func TestACallThatDoesNotEndIsCutOffInTime(t *testing.T) {
	if onWindows {
		t.Skip("skipped: processes cannot be asked to end there")
	}
	binary := built(t)
	for name, c := range map[string]struct {
		drain string
		twice bool
		good  bool
	}{
		"after the bound":    {"300ms", false, true},
		"at a second signal": {"60s", true, false},
	} {
		t.Run(name, func(t *testing.T) {
			p := startProcess(t, binary, "serve", "--listen", "127.0.0.1:0", "--data", filepath.Join(t.TempDir(), "data"), "--drain", c.drain)
			conn := stalled(t, p.address)
			defer func() { _ = conn.Close() }() // The server is gone.
			start := time.Now()
			if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
				t.Fatal(err)
			}
			for range 1000 {
				if strings.Contains(p.log.String(), "going down") {
					break
				}
				time.Sleep(5 * time.Millisecond)
			}
			if c.twice {
				if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
					t.Fatal(err)
				}
			}
			err := p.cmd.Wait()
			if (err == nil) != c.good || time.Since(start) > 20*time.Second {
				t.Errorf("it ended after %v with %v; its log: %s", time.Since(start), err, p.log)
			}
		})
	}
}
