// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package endtoend

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// grpcurl gives a function that runs it. Its first build takes a minute or two; the go command keeps the result.
func grpcurl(t *testing.T) func(args ...string) (string, error) {
	t.Helper()
	out, err := exec.Command("go", "tool", "-modfile=../../.ci/grpcurl.mod", "-n", "grpcurl").Output()
	if err != nil {
		t.Skip("needs grpcurl, which go tool -modfile=.ci/grpcurl.mod grpcurl builds")
	}
	return func(args ...string) (string, error) {
		all, err := exec.CommandContext(t.Context(), strings.TrimSpace(string(out)), append([]string{"-plaintext"}, args...)...).CombinedOutput()
		return string(all), err
	}
}

// judged pushes the van's drive, closes the session and gives the verdict's name.
func judged(t *testing.T, a *api) string {
	t.Helper()
	ctx := within(t)
	d := a.drive(ctx, t)
	d.push(len(d.batches))
	if err := d.stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
	return must(a.sessions.CloseSession(ctx, &pb.CloseSessionRequest{Name: d.session}))(t).GetVerdict()
}

// grpcurl knows nothing of the contract but what the server tells by reflection.
func TestGrpcurlFindsTheServicesAndReadsAVerdict(t *testing.T) {
	curl := grpcurl(t)
	s := serve(t)
	a := s.dial()
	verdict := judged(t, a)
	read := must(a.verdicts.GetVerdict(within(t), &pb.GetVerdictRequest{Name: verdict}))(t).GetVerdict()
	headline := string(must(json.Marshal(read.GetText().GetHeadline()))(t))
	for name, c := range map[string]struct {
		args []string
		want []string
		bad  bool
	}{
		"list": {[]string{s.address, "list"}, []string{
			"airassay.v1beta1.SessionService", "airassay.v1beta1.VehicleService", "airassay.v1beta1.VerdictService", "grpc.health.v1.Health", "grpc.reflection.v1.ServerReflection",
		}, false},
		"describe a service": {[]string{s.address, "describe", "airassay.v1beta1.VerdictService"}, []string{"rpc WatchVerdict (", "stream .airassay.v1beta1.WatchVerdictResponse"}, false},
		"describe a message": {[]string{s.address, "describe", "airassay.v1beta1.SampleBatch"}, []string{"repeated double value = 5"}, false},
		"health":             {[]string{"-d", `{"service": "airassay.v1beta1.SessionService"}`, s.address, "grpc.health.v1.Health/Check"}, []string{`"SERVING"`}, false},
		"read a verdict": {
			[]string{"-d", `{"name": "` + verdict + `"}`, s.address, "airassay.v1beta1.VerdictService/GetVerdict"},
			[]string{`"headline": ` + headline, `"condition": "CONDITION_METER_READS_LOW"`, `"conclusive": true`}, false,
		},
		"read what is not there": {
			[]string{"-d", `{"name": "sessions/nobodys"}`, s.address, "airassay.v1beta1.SessionService/GetSession"},
			[]string{"NotFound", `"reason": "NOT_FOUND"`}, true,
		},
	} {
		t.Run(name, func(t *testing.T) {
			out, err := curl(c.args...)
			if (err != nil) != c.bad {
				t.Errorf("it ended with %v", err)
			}
			for _, w := range c.want {
				if !strings.Contains(out, w) {
					t.Errorf("%s is missing in\n%s", w, out)
				}
			}
		})
	}
	if list := must(a.sessions.ListSessions(within(t), &pb.ListSessionsRequest{}))(t); len(list.GetSessions()) != 1 {
		t.Errorf("there are %d sessions, want the one of before", len(list.GetSessions()))
	}
}

const nodeFolder = "../../examples/node"

// node prepares a program of the Node example.
func node(t *testing.T, args ...string) (*exec.Cmd, *bytes.Buffer, *bytes.Buffer) {
	t.Helper()
	path, err := exec.LookPath("node")
	if err == nil {
		_, err = os.Stat(filepath.Join(nodeFolder, "node_modules", "@grpc", "grpc-js"))
	}
	if err != nil {
		t.Skip("needs Node.js and its packages: npm ci in examples/node")
	}
	cmd := exec.CommandContext(t.Context(), path, args...)
	var stdout, stderr bytes.Buffer
	cmd.Dir, cmd.Stdout, cmd.Stderr = nodeFolder, &stdout, &stderr
	return cmd, &stdout, &stderr
}

func TestNodeExampleKeepsItsOwnRules(t *testing.T) {
	cmd, out, diagnostics := node(t, "--test")
	if err := cmd.Run(); err != nil {
		t.Errorf("%v\n%s%s", err, out, diagnostics)
	}
}

// wantDriven checks what the Node client has left on the server: one closed session with every sample of the drive,
// and the finding that the program itself makes of the same file.
func wantDriven(t *testing.T, a *api, printed string) {
	t.Helper()
	sessions := must(a.sessions.ListSessions(within(t), &pb.ListSessionsRequest{}))(t).GetSessions()
	if len(sessions) != 1 || sessions[0].GetState() != pb.SessionState_SESSION_STATE_CLOSED {
		t.Fatalf("the sessions are %v", sessions)
	}
	name := sessions[0].GetName()
	captures := must(a.sessions.ListCaptures(within(t), &pb.ListCapturesRequest{Parent: name}))(t).GetCaptures()
	_, batches := van(within(t), t)
	samples := int64(0)
	for _, b := range batches {
		samples += int64(len(b.GetValue()))
	}
	if len(captures) != 1 || captures[0].GetSampleCount() != samples || captures[0].GetState() != pb.CaptureState_CAPTURE_STATE_FINISHED {
		t.Errorf("the captures are %v, want one of %d samples", captures, samples)
	}
	verdicts := must(a.verdicts.ListVerdicts(within(t), &pb.ListVerdictsRequest{Parent: name}))(t).GetVerdicts()
	if len(verdicts) != 1 || !strings.HasPrefix(printed, verdicts[0].GetText().GetHeadline()+"\n") {
		t.Errorf("it printed %s, the verdicts are %v", printed, verdicts)
	}
	var own struct {
		Text struct {
			Headline string `json:"headline"`
		} `json:"text"`
	}
	out := must(exec.Command(must(program())(t), "assay", "--json", vanRecording).Output())(t)
	if err := json.Unmarshal(out, &own); err != nil || own.Text.Headline != verdicts[0].GetText().GetHeadline() {
		t.Errorf("the command finds %q (%v), the client was told %q", own.Text.Headline, err, verdicts[0].GetText().GetHeadline())
	}
}

func TestNodeClientDrivesWatchesAndReadsTheVerdict(t *testing.T) {
	s := serve(t)
	cmd, out, diagnostics := node(t, "drive.js", "--server", s.address, "--speed", "400", "../drives/van/recording.csv")
	if err := cmd.Run(); err != nil {
		t.Fatalf("%v\n%s", err, diagnostics)
	}
	wantDriven(t, s.dial(), out.String())
	if !strings.Contains(diagnostics.String(), "likeliest: CONDITION_METER_READS_LOW") || !strings.Contains(diagnostics.String(), "next: ") {
		t.Errorf("no progress is shown:\n%s", diagnostics)
	}
}

func TestNodeClientGoesOnWhereAKilledServerHadCome(t *testing.T) {
	s := serve(t)
	cmd, out, diagnostics := node(t, "drive.js", "--server", s.address, "--speed", "150", "../drives/van/recording.csv")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		time.Sleep(700 * time.Millisecond)
		s.kill()
		if err := s.start(); err != nil {
			t.Fatal(err)
		}
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, diagnostics)
	}
	wantDriven(t, s.dial(), out.String())
	if !strings.Contains(diagnostics.String(), "the server is away") {
		t.Errorf("no kill was noticed:\n%s", diagnostics)
	}
}

func TestNodeClientTellsWhyItWasRefused(t *testing.T) {
	s := serve(t)
	cmd, out, diagnostics := node(t, "--input-type=module", "-e", `
		import { call, connect, reasonOf } from './api.js';
		const clients = connect('`+s.address+`');
		await call(clients.sessions, 'GetSession', { name: 'sessions/nobodys' }).catch((error) => console.log(error.code, reasonOf(error).reason));
		clients.close();`)
	if err := cmd.Run(); err != nil || out.String() != "5 NOT_FOUND\n" {
		t.Errorf("%v: %s%s", err, out, diagnostics)
	}
	missing, _, said := node(t, "drive.js", "--server", s.address)
	var exit *exec.ExitError
	if err := missing.Run(); !errors.As(err, &exit) || !strings.Contains(said.String(), "usage: node drive.js") {
		t.Errorf("%v: %s", err, said)
	}
}
