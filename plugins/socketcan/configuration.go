// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
)

// Transports of requests and answers.
const (
	transportOwn    = "own"
	transportKernel = "kernel"
)

// settings is the configuration as the administrator writes it. README.md has the fields in a table.
type settings struct {
	Interfaces      []string `json:"interfaces"`
	Addressing      string   `json:"addressing"`
	BitRate         int      `json:"bit_rate"`
	SetBitRate      bool     `json:"set_bit_rate"`
	Transport       string   `json:"transport"`
	MaxRequestsPerS float64  `json:"max_requests_per_s"`
	ListenOnly      bool     `json:"listen_only"`
	Heavy           bool     `json:"heavy"`
}

// configuration is what is put to use.
type configuration struct {
	interfaces  []string // allowed; empty for all
	addressing  canlink.Addressing
	bitRate     int // asked for; 0 for whatever the interface has, or any that works
	setBitRate  bool
	kernel      bool // transport
	maxRequests float64
	listenOnly  bool
	heavy       bool
}

// maxMaxRequests bounds the administrator's rate cap: a bus at 500 kbit/s carries fewer than 2000 requests with their answers
// in a second.
const maxMaxRequests = 2000

// bitRates are those of on-board diagnostics (ISO 15765-4), in bits a second, in the order in which they are tried.
var bitRates = []int{500_000, 250_000}

// interfaceName is what the kernel takes for a name, without what would lead out of a folder: at most 15 characters
// (linux/if.h: IFNAMSIZ).
var interfaceName = regexp.MustCompile(`^[^\s/:]{1,15}$`)

// decode reads a configuration and touches no hardware.
func decode(text []byte) (configuration, error) {
	s := settings{Addressing: "probe", Transport: transportOwn}
	if err := adapter.Decode(text, &s); err != nil {
		return configuration{}, err
	}
	bad := &adapter.ConfigurationError{}
	c := configuration{
		interfaces: s.Interfaces, bitRate: s.BitRate, setBitRate: s.SetBitRate, kernel: s.Transport == transportKernel,
		maxRequests: s.MaxRequestsPerS, listenOnly: s.ListenOnly, heavy: s.Heavy,
	}
	for i, name := range s.Interfaces {
		if !interfaceName.MatchString(name) || name == "." || name == ".." {
			bad.Violatef(fmt.Sprintf("interfaces[%d]", i), "is %s; give the name of a CAN interface as ip link shows it, such as can0", brief(name))
		}
	}
	switch s.Addressing {
	case "probe":
	case "11":
		c.addressing = canlink.Bits11
	case "29":
		c.addressing = canlink.Bits29
	default:
		bad.Violatef("addressing", "is %s; use probe, or 11 or 29 for the bits of the identifiers", brief(s.Addressing))
	}
	if s.Transport != transportOwn && s.Transport != transportKernel {
		bad.Violatef("transport", "is %s; use own, or kernel for the ISO-TP of the Linux kernel", brief(s.Transport))
	}
	if s.BitRate != 0 && !slices.Contains(bitRates, s.BitRate) {
		bad.Violatef("bit_rate", "is %d; use 500000 or 250000, or leave it out", s.BitRate)
	}
	if !(s.MaxRequestsPerS >= 0 && s.MaxRequestsPerS <= maxMaxRequests) {
		bad.Violatef("max_requests_per_s", "is %v; use a number above 0 and at most %d, or leave it out for 100", s.MaxRequestsPerS, maxMaxRequests)
	}
	return c, bad.OrNil()
}

// maxShown is how much of a wrong text is repeated.
const maxShown = 40

func brief(text string) string {
	if len(text) > maxShown {
		text = strings.ToValidUTF8(text[:maxShown], "") + "…"
	}
	return fmt.Sprintf("%q", text)
}

// allows says whether the administrator lets an interface be used.
func (c *configuration) allows(name string) bool {
	return len(c.interfaces) == 0 || slices.Contains(c.interfaces, name)
}
