// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/examples/roadtest/push"
)

func TestVerdictIsThatOfTheCommandAtAnySpeed(t *testing.T) {
	s := startServer(t)
	path := driven(t, 1)
	want := judged(t, path)
	for _, speed := range []string{"max", "5000", "100"} {
		r := s.roadtest(t.Context(), "--json", "--second-person", "--speed", speed, path)
		wantVerdict(t, r, want)
		if !strings.Contains(r.stderr, "likeliest:") {
			t.Errorf("speed %s: no progress is shown:\n%s", speed, r.stderr)
		}
	}
	if r := s.roadtest(t.Context(), "--speed", "max", path); r.status != statusDone || !strings.Contains(r.stdout, "Air meter") {
		t.Errorf("no page: status %d\n%s\n%s", r.status, r.stdout, r.stderr)
	}
	wantOneVehicle(t, s)
}

func TestSecuredServerIsBelievedByItsAuthorityOnly(t *testing.T) {
	certificate, key := authority(t)
	s := startServer(t, "--tls-cert", certificate, "--tls-key", key)
	path := driven(t, 1)
	wantVerdict(t, s.roadtest(t.Context(), "--tls-ca", certificate, "--json", "--speed", "max", path), judged(t, path))
	other, _ := authority(t)
	for _, args := range [][]string{{path}, {"--tls-ca", other, path}} {
		if r := s.roadtest(t.Context(), append([]string{"--wait", "200ms"}, args...)...); r.status != statusUnavailable {
			t.Errorf("%q: status %d\n%s", args, r.status, r.stderr)
		}
	}
}

// authority writes the certificate of a loopback server that vouches for itself, and its key.
func authority(t *testing.T) (certificate, key string) {
	t.Helper()
	private := must[*ecdsa.PrivateKey](t)(ecdsa.GenerateKey(elliptic.P256(), rand.Reader))
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der := must[[]byte](t)(x509.CreateCertificate(rand.Reader, template, template, private.Public(), private))
	secret := must[[]byte](t)(x509.MarshalPKCS8PrivateKey(private))
	folder := t.TempDir()
	certificate, key = filepath.Join(folder, "certificate.pem"), filepath.Join(folder, "key.pem")
	write(t, certificate, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})))
	write(t, key, string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})))
	return certificate, key
}

// wantOneVehicle checks that a vehicle is found again by its reference.
func wantOneVehicle(t *testing.T, s *server) {
	t.Helper()
	list, err := pb.NewVehicleServiceClient(dial(t, s)).ListVehicles(t.Context(), &pb.ListVehiclesRequest{})
	if err != nil || len(list.GetVehicles()) != 1 {
		t.Errorf("there are %d vehicles, want one (%v)", len(list.GetVehicles()), err)
	}
}

func dial(t *testing.T, s *server) *grpc.ClientConn {
	t.Helper()
	conn, err := push.Dial(s.address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

func TestVerdictIsTheSameWhenTheServerIsKilledAgainAndAgain(t *testing.T) {
	for seed, tc := range []struct {
		rounds int
		speed  string
		atMost time.Duration
	}{{1, "max", 60 * time.Millisecond}, {20, "max", 200 * time.Millisecond}, {1, "60", 700 * time.Millisecond}, {1, "100", 400 * time.Millisecond}} {
		t.Run(fmt.Sprintf("%d rounds, speed %s, a kill within %s", tc.rounds, tc.speed, tc.atMost), func(t *testing.T) {
			path := driven(t, tc.rounds)
			want := judged(t, path)
			s := startServer(t)
			enough := sync.OnceValue(s.killOften(uint64(seed), tc.atMost))
			// A server that is killed for ever can give no verdict.
			timer := time.AfterFunc(5*time.Second, func() { enough() })
			started := time.Now()
			r := s.roadtest(t.Context(), "--json", "--speed", tc.speed, path)
			took := time.Since(started)
			timer.Stop()
			t.Logf("%d kills in %s; %s", enough(), took.Round(time.Millisecond), lastLine(r.stderr, "safe on the server"))
			wantVerdict(t, r, want)
		})
	}
}

func lastLine(text, with string) string {
	found := ""
	for line := range strings.Lines(text) {
		if strings.Contains(line, with) {
			found = strings.TrimSpace(line)
		}
	}
	return found
}

// resumeHint is what the program says about going on.
var resumeHint = regexp.MustCompile(`--resume (sessions/\S+)`)

// lockedBuffer may be read while it is written.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

// driveUntil runs the program and calls stop when some batches are safe; it gives the drive's capture.
func driveUntil(t *testing.T, s *server, text *lockedBuffer, stop func(capture string)) {
	t.Helper()
	sessions := pb.NewSessionServiceClient(dial(t, s))
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		m := resumeHint.FindStringSubmatch(text.String())
		if m == nil {
			continue
		}
		c, err := sessions.GetCapture(t.Context(), &pb.GetCaptureRequest{Name: m[1]})
		if err == nil && c.GetCapture().GetLastSequence() >= 20 {
			stop(m[1])
			return
		}
	}
	t.Fatalf("no batch arrived:\n%s", text)
}

func TestKilledProgramGoesOnWhereItEnded(t *testing.T) {
	s := startServer(t)
	path := driven(t, 1)
	program := must[string](t)(ownProgram())
	var stderr lockedBuffer
	cmd := exec.CommandContext(t.Context(), program, "--server", s.address, "--speed", "20", path)
	cmd.Stderr = &stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	capture := ""
	driveUntil(t, s, &stderr, func(c string) { capture = c; _ = cmd.Process.Kill() })
	_ = cmd.Wait()

	other := filepath.Join(t.TempDir(), "other.csv")
	text := must[[]byte](t)(os.ReadFile(path))
	write(t, other, strings.Replace(string(text), ",24,90,", ",25,90,", 3))
	if r := s.roadtest(t.Context(), "--resume", capture, "--speed", "max", other); r.status != statusRefused || !strings.Contains(r.stderr, "other") {
		t.Errorf("a drive goes on with another recording: status %d\n%s", r.status, r.stderr)
	}
	session, _, _ := strings.Cut(capture, "/captures/")
	r := s.roadtest(t.Context(), "--resume", session, "--json", "--speed", "max", path)
	wantVerdict(t, r, judged(t, path))
	rec, err := readRecording(t.Context(), path, "")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(r.stderr, " samples in ") || strings.Contains(r.stderr, fmt.Sprintf(" %d samples in ", len(rec.Samples))) {
		t.Errorf("the resumed drive began anew:\n%s", r.stderr)
	}
	again := s.roadtest(t.Context(), "--resume", capture, "--json", path)
	if again.stdout != r.stdout || again.status != statusDone {
		t.Errorf("a drive that is over gives another verdict, status %d:\n%s", again.status, again.stderr)
	}
}

func TestInterruptedProgramSaysHowToGoOn(t *testing.T) {
	s := startServer(t)
	path := driven(t, 1)
	ctx, cancel := context.WithCancelCause(t.Context())
	defer cancel(nil)
	var stdout, stderr lockedBuffer
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, []string{"--server", s.address, "--speed", "20", "--json", path}, &stdout, &stderr)
	}()
	driveUntil(t, s, &stderr, func(string) { cancel(interrupted{os.Interrupt}) })
	if status := <-ended; status != statusSignal+int(syscall.SIGINT) || stdout.String() != "" {
		t.Errorf("status %d\n%s\n%s", status, stdout.String(), stderr.String())
	}
	hint := lastLine(stderr.String(), "to go on with the drive: "+program)
	_, command, _ := strings.Cut(hint, program+" --server "+s.address)
	r := s.roadtest(t.Context(), append([]string{"--speed", "max"}, strings.Fields(strings.Replace(command, "--speed 20", "", 1))...)...)
	wantVerdict(t, r, judged(t, path))
}

func TestOthersWhoEndTheDriveAreNamed(t *testing.T) {
	for name, tc := range map[string]struct {
		do   func(ctx context.Context, client pb.SessionServiceClient, capture string) error
		says string
		hint bool
	}{
		"another writer": {
			do: func(ctx context.Context, client pb.SessionServiceClient, capture string) error {
				w, err := push.Open(ctx, client, capture, push.Options{})
				return errors.Join(err, w.Close(ctx))
			},
			says: "another writer has taken this capture over", hint: true,
		},
		"a closed session": {
			do: func(ctx context.Context, client pb.SessionServiceClient, capture string) error {
				session, _, _ := strings.Cut(capture, "/captures/")
				_, err := client.CloseSession(ctx, &pb.CloseSessionRequest{Name: session})
				return err
			},
			says: "somebody has closed the session",
		},
		"a finished capture": {
			do: func(ctx context.Context, client pb.SessionServiceClient, capture string) error {
				_, err := client.FinishCapture(ctx, &pb.FinishCaptureRequest{Name: capture})
				return err
			},
			says: "somebody has finished the capture", hint: true,
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := startServer(t)
			path := driven(t, 1)
			var stdout, stderr lockedBuffer
			ended := make(chan int, 1)
			go func() {
				ended <- run(t.Context(), []string{"--server", s.address, "--speed", "20", path}, &stdout, &stderr)
			}()
			driveUntil(t, s, &stderr, func(capture string) {
				if err := tc.do(t.Context(), pb.NewSessionServiceClient(dial(t, s)), capture); err != nil {
					t.Error(err)
				}
			})
			status := <-ended
			if text := stderr.String(); status != statusEnded || !strings.Contains(text, tc.says) || strings.Contains(text, "to go on with the drive:") != tc.hint {
				t.Errorf("status %d\n%s", status, text)
			}
		})
	}
}
