// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/pem"
	"fmt"
	"math/big"
	"time"
)

// identity is a self-signed certificate with its key, as a host makes one for each adapter.
type identity struct {
	pem  string
	cert tls.Certificate
}

// newIdentity uses the curve that the hosts' plugin library uses, so that a language whose TLS library refuses it finds out
// here.
func newIdentity() (*identity, error) {
	key, err := ecdsa.GenerateKey(elliptic.P521(), rand.Reader)
	if err != nil {
		return nil, err
	}
	number, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return nil, err
	}
	now := time.Now()
	template := &x509.Certificate{
		Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"}, SerialNumber: number,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth},
		KeyUsage:    x509.KeyUsageDigitalSignature | x509.KeyUsageKeyEncipherment | x509.KeyUsageKeyAgreement | x509.KeyUsageCertSign,
		NotBefore:   now.Add(-time.Minute), NotAfter: now.AddDate(1, 0, 0),
		BasicConstraintsValid: true, IsCA: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		return nil, err
	}
	text := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	return &identity{pem: string(text), cert: tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}}, nil
}

// clientTLS trusts the certificate that a handshake carries, and shows the identity; nil shows none.
func clientTLS(field string, who *identity) (*tls.Config, error) {
	der, err := base64.RawStdEncoding.DecodeString(field)
	if err != nil {
		return nil, fmt.Errorf("the handshake's certificate is not unpadded base64: %w", err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, fmt.Errorf("the handshake's certificate is no DER: %w", err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(cert)
	config := &tls.Config{RootCAs: pool, ServerName: "localhost", MinVersion: tls.VersionTLS12}
	if who != nil {
		// Go leaves a certificate out where the server's list of authorities does not name it; here it is always shown.
		config.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &who.cert, nil }
	}
	return config, nil
}
