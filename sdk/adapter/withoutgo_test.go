// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/internal/handshake"
)

func read(t *testing.T, names ...string) string {
	t.Helper()
	var all strings.Builder
	for _, name := range names {
		data, err := os.ReadFile(filepath.FromSlash(name))
		if err != nil {
			t.Fatal(err)
		}
		all.Write(data)
	}
	return all.String()
}

// section gives the rows of the table under a heading of without-go.md, as cells without their spaces.
func section(t *testing.T, heading string) [][]string {
	t.Helper()
	_, rest, found := strings.Cut(read(t, "without-go.md"), heading+"\n")
	if !found {
		t.Fatalf("the page has no heading %q", heading)
	}
	rest, _, _ = strings.Cut(rest, "\n## ")
	var rows [][]string
	for line := range strings.Lines(rest) {
		if !strings.HasPrefix(line, "|") || strings.HasPrefix(line, "| ---") {
			continue
		}
		cells := strings.Split(strings.Trim(line, "|\n"), "|")
		for i, cell := range cells {
			cells[i] = strings.TrimSpace(cell)
		}
		rows = append(rows, cells)
	}
	if len(rows) < 2 {
		t.Fatalf("no table under %q", heading)
	}
	return rows[1:]
}

// Who reads the page must find each reason with the code that the contract gives it.
func TestPageListsEveryReasonWithItsCode(t *testing.T) {
	listed := map[string]string{}
	for _, row := range section(t, "## 7. Errors") {
		listed[strings.Trim(row[0], "`")] = strings.Trim(row[1], "`")
	}
	declared := regexp.MustCompile(`// ([A-Z_]+)[^\n]*\n\s*ADAPTER_ERROR_REASON_(\w+) = [1-9]`)
	want := map[string]string{}
	for _, m := range declared.FindAllStringSubmatch(read(t, "../../api/airassay/adapter/v1beta1/adapter.proto"), -1) {
		want[m[2]] = m[1]
	}
	if len(want) != len(adapterv1beta1.AdapterErrorReason_name)-1 || len(listed) != len(want) {
		t.Errorf("%d reasons of %d are explained in the contract, %d on the page", len(want), len(adapterv1beta1.AdapterErrorReason_name)-1, len(listed))
	}
	for reason, code := range want {
		if listed[reason] != code {
			t.Errorf("%s is %s in the contract and %q on the page", reason, code, listed[reason])
		}
	}
}

func TestPageNamesTheHandshakeAsItIs(t *testing.T) {
	page := read(t, "without-go.md")
	for _, name := range []string{
		handshake.CookieKey, handshake.CookieValue, handshake.EnvVersions, handshake.EnvClientCertificate, handshake.EnvSocketDir,
		handshake.EnvMinPort, handshake.EnvMaxPort, handshake.EnvLogLevel, handshake.LogLevel, handshake.LogMessage, handshake.LogTime,
		handshake.HealthService, Domain, adapterv1beta1.AdapterService_ServiceDesc.ServiceName,
	} {
		if !strings.Contains(page, "`"+name+"`") && !strings.Contains(page, `"`+name+`"`) {
			t.Errorf("the page does not name %s", name)
		}
	}
	if example := regexp.MustCompile(`"@timestamp":"([^"]+)"`).FindStringSubmatch(page); len(example) == 0 {
		t.Error("no example of a log line")
	} else if _, err := time.Parse(handshake.LogTimeFormat, example[1]); err != nil {
		t.Error(err)
	}
}

// A message that an author searches for must be one that the host says.
func TestPageQuotesTheHost(t *testing.T) {
	sources, err := filepath.Glob("../host/*.go")
	if err != nil {
		t.Fatal(err)
	}
	sources = append(sources, "../host/manifest/files.go", "../host/manifest/folder_unix.go")
	sources = slices.DeleteFunc(sources, func(name string) bool { return strings.HasSuffix(name, "_test.go") })
	says := read(t, sources...)
	for _, step := range regexp.MustCompile(`\{"([^"]+)", (?:life|c\.|func)`).FindAllStringSubmatch(read(t, "../host/launch.go"), -1) {
		says += step[1] + " failed: \n"
	}
	for _, row := range section(t, "## 11. What goes wrong") {
		for part := range strings.SplitSeq(strings.Trim(row[0], "`"), "…") {
			if part = strings.TrimPrefix(part, " "); strings.TrimSpace(part) != "" && !strings.Contains(says, part) {
				t.Errorf("the host never says %q", part)
			}
		}
	}
}

// certificate is one form that an author might give to its adapter.
type certificate struct {
	key  func() (crypto.Signer, error)
	form func(*x509.Certificate)
}

func p256() (crypto.Signer, error) { return ecdsa.GenerateKey(elliptic.P256(), rand.Reader) }

// meets makes the certificate, serves with it, and connects as a host does that has read it from the handshake.
func (c certificate) meets(t *testing.T) error {
	t.Helper()
	key, err := c.key()
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"},
		NotBefore: time.Unix(0, 0), NotAfter: time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC),
	}
	if c.form != nil {
		c.form(form)
	}
	der, err := x509.CreateCertificate(rand.Reader, form, form, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	sent, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(sent)
	here, there := net.Pipe()
	served := make(chan struct{})
	go func() {
		defer close(served)
		_ = tls.Server(there, &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}, MinVersion: tls.VersionTLS12}).HandshakeContext(t.Context())
		_ = there.Close() // the other side says what was wrong
	}()
	err = tls.Client(here, &tls.Config{RootCAs: roots, ServerName: "localhost", MinVersion: tls.VersionTLS12}).HandshakeContext(t.Context())
	_ = here.Close() // all is known
	<-served
	return err
}

// Whether a certificate is taken is decided by Go's own library, which changes with the release of Go.
func TestPageTellsWhichCertificatesAreTaken(t *testing.T) {
	said := read(t, "without-go.md")
	for name, tc := range map[string]struct {
		certificate
		refusal string // as the page quotes it; empty where it is taken
	}{
		"P-256":            {certificate{p256, nil}, ""},
		"P-384":            {certificate{func() (crypto.Signer, error) { return ecdsa.GenerateKey(elliptic.P384(), rand.Reader) }, nil}, ""},
		"P-521":            {certificate{func() (crypto.Signer, error) { return ecdsa.GenerateKey(elliptic.P521(), rand.Reader) }, nil}, ""},
		"RSA":              {certificate{func() (crypto.Signer, error) { return rsa.GenerateKey(rand.Reader, 2048) }, nil}, ""},
		"Ed25519":          {certificate{func() (crypto.Signer, error) { _, key, err := ed25519.GenerateKey(rand.Reader); return key, err }, nil}, ""},
		"an authority":     {certificate{p256, func(c *x509.Certificate) { c.IsCA, c.BasicConstraintsValid = true, true }}, ""},
		"no authority":     {certificate{p256, func(c *x509.Certificate) { c.BasicConstraintsValid = true }}, ""},
		"for servers":      {certificate{p256, func(c *x509.Certificate) { c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth} }}, ""},
		"for clients only": {certificate{p256, func(c *x509.Certificate) { c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth} }}, "incompatible key usage"},
		"a common name":    {certificate{p256, func(c *x509.Certificate) { c.DNSNames = nil }}, "relies on legacy Common Name field"},
		"no name":          {certificate{p256, func(c *x509.Certificate) { c.DNSNames, c.Subject = nil, pkix.Name{Organization: []string{"x"}} }}, "certificate is not valid for any names"},
		"an ended span":    {certificate{p256, func(c *x509.Certificate) { c.NotAfter = time.Unix(1, 0) }}, "certificate has expired"},
	} {
		err := tc.meets(t)
		switch {
		case tc.refusal == "" && err != nil, tc.refusal != "" && (err == nil || !strings.Contains(err.Error(), tc.refusal)):
			t.Errorf("%s: %v, want %q", name, err, tc.refusal)
		case tc.refusal != "" && !strings.Contains(said, "`"+tc.refusal+"`"):
			t.Errorf("the page does not quote %q", tc.refusal)
		}
	}
}
