// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"encoding/base64"
	"fmt"
	"net"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/airassay/airassay/sdk/internal/handshake"
)

// maxGreeting bounds the handshake's line; a certificate of the longest common key takes less than 3 KiB.
const maxGreeting = 64 << 10

// core is the only version of the plugin library's own protocol.
const core = "1"

// greet checks the first line that an adapter prints, before the plugin library sees it, because the library's words do
// not say what an author did wrong. The address must be a socket in the folder that the adapter was given: a host that
// connects to wherever a child says could be sent to any service of the machine.
func greet(line, socketDir string) *Failure {
	fields := strings.Split(strings.TrimSpace(line), "|")
	if len(fields) < 5 || fields[0] != core {
		return failure(ReasonHandshake, "it printed %s on standard output where the handshake was expected (%s): print nothing before serving, and log on standard error",
			quote(line), "1|version|network|address|grpc|certificate")
	}
	version, err := strconv.Atoi(fields[1])
	if err != nil {
		return failure(ReasonHandshake, "its handshake gives %s as the protocol version, expected a number", quote(fields[1]))
	}
	if _, ok := handshake.Services[version]; !ok {
		return &Failure{Reason: ReasonProtocolVersion, Err: versionError([]int{version})}
	}
	if err := checkAddress(fields[2], fields[3], socketDir); err != nil {
		return failure(ReasonHandshake, "%w", err)
	}
	if fields[4] != "grpc" {
		return failure(ReasonHandshake, "its handshake offers %s, expected grpc", quote(fields[4]))
	}
	return checkCertificate(fields)
}

func checkCertificate(fields []string) *Failure {
	if len(fields) < 6 || fields[5] == "" {
		return failure(ReasonHandshake, "its handshake carries no certificate: when %s is set, serve mutual TLS and give the certificate as the sixth field", handshake.EnvClientCertificate)
	}
	// The plugin library takes a short field for something else and then trusts the system's certificates.
	if der, err := base64.RawStdEncoding.DecodeString(fields[5]); err != nil || len(der) < 50 {
		return failure(ReasonHandshake, "its handshake's certificate is not unpadded base64 of DER")
	}
	return nil
}

func checkAddress(network, address, socketDir string) error {
	switch network {
	case "unix":
		if filepath.Dir(filepath.Clean(address)) == filepath.Clean(socketDir) {
			return nil
		}
		return fmt.Errorf("it listens on %s, expected a socket in the folder that %s names, %s", quote(address), handshake.EnvSocketDir, socketDir)
	case "tcp":
		host, port, err := net.SplitHostPort(address)
		if ip := net.ParseIP(host); err == nil && port != "" && ip != nil && ip.IsLoopback() {
			return nil
		}
		return fmt.Errorf("it listens on %s, expected a loopback address and a port", quote(address))
	}
	return fmt.Errorf("it listens on a network %s, expected unix or tcp", quote(network))
}

// quote shows foreign text on one line and not at length.
func quote(s string) string {
	const most = 200
	if len(s) <= most {
		return strconv.Quote(s)
	}
	return strconv.Quote(s[:most]) + fmt.Sprintf(" and %d bytes more", len(s)-most)
}
