// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package conformance

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/internal/handshake"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health"
	"google.golang.org/grpc/health/grpc_health_v1"
)

// Variables that make the test's own program an adapter.
const (
	flawEnv      = "AIRASSAY_TEST_FLAW" // set, even if to nothing, for a fake
	abilitiesEnv = "AIRASSAY_TEST_ABILITIES"
	folderEnv    = "AIRASSAY_TEST_HARDWARE"
	exclusiveEnv = "AIRASSAY_TEST_EXCLUSIVE"
	hostEnv      = "AIRASSAY_TEST_HOST" // a host that holds a fake with this flaw, or "none"
	sdkEnv       = "AIRASSAY_TEST_SDK"  // an adapter of the SDK
)

func TestMain(m *testing.M) {
	if os.Getenv(hostEnv) != "" {
		playHost()
		return
	}
	if flaw, ok := os.LookupEnv(flawEnv); ok {
		playFake(flaw)
		return
	}
	if os.Getenv(sdkEnv) != "" {
		playSDK()
	}
	goleak.VerifyTestMain(m)
}

// playFake does by hand what an adapter in another language does: the handshake, TLS, health, the log.
func playFake(flaw string) {
	// The SDK, which this program links for other tests, has taken the standard streams; these are the real ones.
	in, out, errs := os.NewFile(0, "stdin"), os.NewFile(1, "stdout"), os.NewFile(2, "stderr")
	f := newFake(flaw, func() { os.Exit(0) })
	f.abilities, f.folder, f.exclusive, f.log = os.Getenv(abilitiesEnv), os.Getenv(folderEnv), os.Getenv(exclusiveEnv) != "", errs
	if os.Getenv(handshake.CookieKey) != handshake.CookieValue && !f.is("serves without a host") {
		_, _ = fmt.Fprintln(errs, "This is an adapter. A host starts it.")
		os.Exit(2)
	}
	switch {
	case f.is("starts slowly"):
		time.Sleep(2200 * time.Millisecond)
	case f.is("reads standard input"):
		go func() { _, _ = bufio.NewReader(in).ReadString('\n') }()
	case f.is("greets too early"):
		_, _ = fmt.Fprintln(out, "Welcome to the fake.")
	case f.is("logs plain text"):
		_, _ = fmt.Fprintln(errs, "Here I am.")
	case f.is("hangs on a log that nobody reads"):
		signal.Ignore(syscall.SIGPIPE)
	}
	_, _ = fmt.Fprintln(errs, logLine("starting"))
	if err := f.serve(out); err != nil {
		_, _ = fmt.Fprintln(errs, err)
		os.Exit(3)
	}
}

func (f *fake) serve(out *os.File) error {
	dir := os.Getenv(handshake.EnvSocketDir)
	if f.is("listens elsewhere") || dir == "" {
		dir = f.folder
	}
	listener, err := net.Listen("unix", filepath.Join(dir, fmt.Sprint("fake", os.Getpid())))
	if err != nil {
		return err
	}
	options := []grpc.ServerOption{grpc.InTapHandle(f.ticket)}
	cert := ""
	if host := os.Getenv(handshake.EnvClientCertificate); host != "" && !f.is("serves without TLS") {
		config, der, err := f.tls(host)
		if err != nil {
			return err
		}
		options, cert = append(options, grpc.Creds(credentials.NewTLS(config))), base64.RawStdEncoding.EncodeToString(der)
	}
	server := grpc.NewServer(options...)
	adapterv1beta1.RegisterAdapterServiceServer(server, f)
	alive := health.NewServer()
	state := grpc_health_v1.HealthCheckResponse_SERVING
	if f.is("is not well") {
		state = grpc_health_v1.HealthCheckResponse_NOT_SERVING
	}
	alive.SetServingStatus(handshake.HealthService, state)
	grpc_health_v1.RegisterHealthServer(server, alive)
	if !f.is("waits for a host for ever") {
		go f.awaitHost()
	}
	_, _ = fmt.Fprintf(out, "1|%s|unix|%s|grpc|%s\n", f.version(), listener.Addr(), cert)
	if f.is("greets too late") {
		_, _ = fmt.Fprintln(out, "Ready.")
	}
	return server.Serve(listener)
}

// version takes the one that it knows.
func (f *fake) version() string {
	offered := strings.Split(os.Getenv(handshake.EnvVersions), ",")
	if f.is("takes the highest version") {
		return slices.MaxFunc(offered, func(a, b string) int { return len(a) - len(b) })
	}
	return "1"
}

func (f *fake) awaitHost() {
	select {
	case <-f.life:
	case <-f.ended:
	case <-time.After(10 * time.Second):
		f.exit()
	}
}

// tls makes a certificate as simply as any language can.
func (f *fake) tls(hostPEM string) (*tls.Config, []byte, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, err
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"},
		NotBefore: time.Now().Add(-time.Minute), NotAfter: time.Now().Add(time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		return nil, nil, err
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM([]byte(hostPEM))
	config := &tls.Config{
		Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}},
		ClientAuth:   tls.RequireAndVerifyClientCert, ClientCAs: pool, MinVersion: tls.VersionTLS12,
	}
	switch {
	case f.is("lets everybody in"):
		config.ClientAuth = tls.NoClientCert
	case f.is("lets any certificate in"):
		config.ClientAuth = tls.RequireAnyClientCert
	}
	return config, der, nil
}
