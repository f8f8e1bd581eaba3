// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// A certificate for one run of an adapter. Node's standard library makes keys and signatures but no certificates, and
// the packages that do would more than double the files that a host has to check at every start; what is needed is one
// fixed form of X.509 (RFC 5280) in DER.

import { generateKeyPairSync, randomBytes, sign } from 'node:crypto';

// element makes a DER element: a tag, the length, the contents.
function element(tag, ...parts) {
  const body = Buffer.concat(parts);
  if (body.length < 0x80) return Buffer.concat([Buffer.from([tag, body.length]), body]);
  const length = Buffer.from(body.length.toString(16).padStart(body.length < 0x100 ? 2 : 4, '0'), 'hex');
  return Buffer.concat([Buffer.from([tag, 0x80 | length.length]), length, body]);
}

const sequence = (...parts) => element(0x30, ...parts);
const object = (hex) => element(0x06, Buffer.from(hex, 'hex'));
const octets = (...parts) => element(0x04, ...parts);
const bits = (bytes, unused = 0) => element(0x03, Buffer.from([unused]), bytes);
const text = (tag, ascii) => element(tag, Buffer.from(ascii, 'latin1'));
const yes = element(0x01, Buffer.from([0xff]));

const ecdsaWithSHA256 = sequence(object('2a8648ce3d040302')); // 1.2.840.10045.4.3.2
const localhost = sequence(element(0x31, sequence(object('550403'), text(0x0c, 'localhost')))); // CN=localhost

// It ends with the process. A fixed span needs no clock, which some boxes lack until they have a network; the end is
// RFC 5280's "no well-defined expiration date".
const validity = sequence(text(0x17, '700101000000Z'), text(0x18, '99991231235959Z'));

const extensions = element(
  0xa3,
  sequence(
    sequence(object('551d0f'), yes, octets(bits(Buffer.from([0x80]), 7))), // key usage: digital signature
    sequence(object('551d25'), octets(sequence(object('2b06010505070301')))), // extended key usage: server
    sequence(object('551d11'), octets(sequence(text(0x82, 'localhost')))), // the name that a host expects
  ),
);

// makeCertificate makes a P-256 key and a self-signed certificate for the name localhost. It gives the certificate in
// DER, and certificate and key in PEM.
export function makeCertificate() {
  const { privateKey, publicKey } = generateKeyPairSync('ec', { namedCurve: 'P-256' });
  const serial = randomBytes(16);
  serial[0] = (serial[0] & 0x3f) | 0x40; // positive, and no leading zero
  const unsigned = sequence(
    element(0xa0, element(0x02, Buffer.from([2]))), // version 3
    element(0x02, serial),
    ecdsaWithSHA256,
    localhost,
    validity,
    localhost,
    publicKey.export({ type: 'spki', format: 'der' }),
    extensions,
  );
  const der = sequence(unsigned, ecdsaWithSHA256, bits(sign('sha256', unsigned, privateKey)));
  return {
    der,
    certificate: `-----BEGIN CERTIFICATE-----\n${der.toString('base64').replace(/.{64}/g, '$&\n')}\n-----END CERTIFICATE-----\n`,
    key: privateKey.export({ type: 'pkcs8', format: 'pem' }),
  };
}
