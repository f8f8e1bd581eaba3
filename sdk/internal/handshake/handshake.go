// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package handshake holds what host and adapter must agree on before the first call: the cookie, the versions of the
// protocol, the names of services and of environment variables. It exports no type of the plugin library, so that
// either side may replace it.
package handshake

import adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"

// The cookie tells a program that a host started it. It is no secret and protects nothing; it lets an adapter that a
// person started by hand say what it is.
const (
	CookieKey   = "AIRASSAY_ADAPTER_COOKIE"
	CookieValue = "7c1d5a0e-airassay-adapter-2f94b6e3"
)

// Newest is the version of the protocol that this build prefers. A version is spent only on a break: what can be added
// as a field or as an optional service keeps the number.
const Newest = 1

// Services maps each version of the protocol that this build speaks to the gRPC service that carries it. A build speaks
// the newest and, once there is one, the version before it.
var Services = map[int]string{
	1: adapterv1beta1.AdapterService_ServiceDesc.ServiceName,
}

// Plugin is the name under which both sides register the service with the plugin library.
const Plugin = "adapter"

// HealthService is the name whose health an adapter reports as SERVING.
const HealthService = "plugin"

// Environment variables of the handshake. The first group belongs to the plugin protocol, the second is our own.
const (
	// EnvVersions lists the versions that the host speaks, with commas between.
	EnvVersions = "PLUGIN_PROTOCOL_VERSIONS"
	// EnvClientCertificate is the host's certificate in PEM; set when the connection is to be mutual TLS.
	EnvClientCertificate = "PLUGIN_CLIENT_CERT"
	// EnvSocketDir is the folder in which an adapter makes its Unix socket.
	EnvSocketDir = "PLUGIN_UNIX_SOCKET_DIR"
	// EnvMinPort and EnvMaxPort bound the port of an adapter that listens on TCP; 0 and 1 leave it to the system.
	EnvMinPort = "PLUGIN_MIN_PORT"
	// EnvMaxPort is described with EnvMinPort.
	EnvMaxPort = "PLUGIN_MAX_PORT"

	// EnvLogLevel is the lowest level that the host wants to read: debug, info, warn or error; info where unset.
	EnvLogLevel = "AIRASSAY_ADAPTER_LOG_LEVEL"
)

// Keys of a line of log, one JSON object a line on standard error. All other keys are attributes.
const (
	LogLevel   = "@level" // debug, info, warn or error
	LogMessage = "@message"
	LogTime    = "@timestamp" // LogTimeFormat
)

// LogTimeFormat is how LogTime is written.
const LogTimeFormat = "2006-01-02T15:04:05.000000Z07:00"

// Reattach says where an adapter that was started for debugging listens. It is printed on standard output as one line
// of JSON.
type Reattach struct {
	ProtocolVersion int    `json:"protocol_version"`
	Network         string `json:"network"` // unix or tcp
	Address         string `json:"address"`
	PID             int    `json:"pid"`
}
