// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"strings"
	"syscall"
	"time"

	"google.golang.org/grpc/credentials"
)

// unixPrefix marks an address that is a path.
const unixPrefix = "unix:"

// listen takes connections where the options say, if that is safe.
func listen(ctx context.Context, o *ServeOptions) (net.Listener, error) {
	if path, ok := strings.CutPrefix(o.Listen, unixPrefix); ok {
		return listenUnix(ctx, path)
	}
	address, err := net.ResolveTCPAddr("tcp", o.Listen)
	if err != nil {
		return nil, &refusal{fmt.Sprintf("--listen %s: %v; expected HOST:PORT, such as %s, or unix:/PATH", o.Listen, err, defaultListen)}
	}
	if !address.IP.IsLoopback() && o.TLSCert == "" && !o.InsecureNetwork {
		return nil, &refusal{fmt.Sprintf("--listen %s can be reached from other machines, and anybody there could read and change everything; "+
			"give --tls-cert and --tls-key, or listen on %s, or accept that with --insecure-plaintext-network", o.Listen, defaultListen)}
	}
	var c net.ListenConfig
	l, err := c.Listen(ctx, "tcp", address.String())
	if err != nil {
		return nil, listenRefusal(o.Listen, err)
	}
	return l, nil
}

func listenRefusal(address string, err error) error {
	hint := "name another address with --listen"
	if errors.Is(err, syscall.EADDRINUSE) {
		hint = "another program has it: stop that one, or name another address with --listen"
	}
	return &refusal{fmt.Sprintf("--listen %s: %v; %s", address, err, hint)}
}

// probeTime is how long a server at the other end of a socket may take to answer.
const probeTime = time.Second

// listenUnix makes a socket that its owner alone may call. A socket that a
// killed server left behind is replaced; a living server's, or any other file,
// is not.
func listenUnix(ctx context.Context, path string) (net.Listener, error) {
	switch info, err := os.Lstat(path); {
	case path == "":
		return nil, &refusal{"--listen unix: names no path; expected unix:/PATH"}
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, listenRefusal(unixPrefix+path, err)
	case info.Mode().Type() != fs.ModeSocket:
		return nil, &refusal{fmt.Sprintf("--listen unix:%s: this exists and is not a socket; name another path", path)}
	default:
		dialer := net.Dialer{Timeout: probeTime}
		if c, err := dialer.DialContext(ctx, "unix", path); err == nil {
			return nil, errors.Join(listenRefusal(unixPrefix+path, syscall.EADDRINUSE), c.Close())
		}
		if err := os.Remove(path); err != nil {
			return nil, listenRefusal(unixPrefix+path, err)
		}
	}
	var c net.ListenConfig
	l, err := c.Listen(ctx, "unix", path)
	if err != nil {
		return nil, listenRefusal(unixPrefix+path, err)
	}
	const ownerOnly = 0o600
	if err := os.Chmod(path, ownerOnly); err != nil {
		return nil, errors.Join(listenRefusal(unixPrefix+path, err), l.Close())
	}
	return l, nil
}

// addressOf writes an address as --listen reads it.
func addressOf(l net.Listener) string {
	if l.Addr().Network() == "unix" {
		return unixPrefix + l.Addr().String()
	}
	return l.Addr().String()
}

// transportCredentials reads the TLS files; nil where none are named.
func transportCredentials(o *ServeOptions) (credentials.TransportCredentials, error) {
	switch {
	case o.TLSCert == "" && o.TLSKey == "" && o.TLSClientCA == "":
		return nil, nil //nolint:nilnil // Plain text is a choice, which listen has judged.
	case o.TLSCert == "" || o.TLSKey == "":
		return nil, &refusal{"--tls-cert and --tls-key belong together: give both"}
	}
	own, err := tls.LoadX509KeyPair(o.TLSCert, o.TLSKey)
	if err != nil {
		return nil, &refusal{fmt.Sprintf("--tls-cert %s and --tls-key %s: %v; expected a PEM certificate chain and its private key", o.TLSCert, o.TLSKey, err)}
	}
	c := &tls.Config{Certificates: []tls.Certificate{own}, MinVersion: tls.VersionTLS12}
	if o.TLSClientCA != "" {
		if c.ClientCAs, err = authorities(o.TLSClientCA); err != nil {
			return nil, err
		}
		c.ClientAuth = tls.RequireAndVerifyClientCert
	}
	return credentials.NewTLS(c), nil
}

func authorities(path string) (*x509.CertPool, error) {
	pem, err := os.ReadFile(path)
	if err != nil {
		return nil, &refusal{fmt.Sprintf("--tls-client-ca: %v; name a PEM file of certificates", err)}
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, &refusal{fmt.Sprintf("--tls-client-ca %s holds no certificate; expected PEM", path)}
	}
	return pool, nil
}
