// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package adapternode

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/sdk/host/manifest"
	"github.com/airassay/airassay/sdk/j1979"
)

// Both ways in which install.js can write the manifest must lead to an adapter that serves, and that ends by itself.
func TestInstalledAdapterServesAndEndsOrderly(t *testing.T) {
	for _, form := range []string{"program", "script"} {
		t.Run(form, func(t *testing.T) {
			b := start(t, installed(t, form))
			found, err := b.ListDevices(within(t), &adapterv1beta1.ListDevicesRequest{})
			if err != nil || len(found.GetDevices()) != 1 || found.GetDevices()[0].GetId() != box {
				t.Fatalf("found %v, %v", found, err)
			}
			b.open()
			f := b.feed(flow, engineSpeed)
			f.until(f.samples(flow, 100))
			for _, v := range f.values[flow] {
				if v < 10 || v > 30 {
					t.Errorf("%v g/s, want 10 to 30", v)
				}
			}
			if f.err != nil || len(f.gaps) > 0 || len(f.values[engineSpeed]) < 99 {
				t.Errorf("ended with %v, gaps %v, %d engine speeds", f.err, f.gaps, len(f.values[engineSpeed]))
			}
			b.adapter.Shutdown(context.Background())
			if !gone(b.pid) {
				t.Error("its process is still there")
			}
			for line := range strings.Lines(b.log.String()) {
				if strings.Contains(line, "level=WARN") || strings.Contains(line, "level=ERROR") {
					t.Error(line)
				}
			}
		})
	}
}

// A file that was added, changed or taken away after the installation must keep the adapter from starting.
func TestEveryFileOfTheInstallationIsChecked(t *testing.T) {
	m := installed(t, "program")
	if len(m.Files) < 100 {
		t.Errorf("%d files are listed; the packages are missing", len(m.Files))
	}
	m.Files["node_modules/@grpc/grpc-js/build/src/server.js"] = strings.Repeat("0", 64)
	a, err := host.New(options(m, &journal{}))
	if err != nil {
		t.Fatal(err)
	}
	defer a.Shutdown(context.Background())
	a.Start()
	_, err = a.Ready(within(t))
	if changed, ok := errors.AsType[*manifest.ChecksumError](err); !ok || !strings.HasSuffix(changed.File, "server.js") {
		t.Errorf("error %v", err)
	}
}

func TestInstallingAnewKeepsWhatTheAdministratorWrote(t *testing.T) {
	node(t)
	folder := t.TempDir()
	dir := filepath.Join(folder, name)
	for _, flags := range [][]string{{`--configuration={"period_s": 7}`}, nil, {"--script"}} {
		if out, err := exec.Command("node", append([]string{"install.js", folder}, flags...)...).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		m, err := manifest.Load(dir)
		if err != nil {
			t.Fatal(err)
		}
		var kept struct {
			PeriodS float64 `json:"period_s"`
		}
		if err := json.Unmarshal(m.Configuration, &kept); err != nil || kept.PeriodS != 7 {
			t.Errorf("%q: configuration %s, %v", flags, m.Configuration, err)
		}
		program, err := m.Verify()
		if err != nil {
			t.Fatal(err)
		}
		_ = program.Close() // only read
	}
}

func TestUnusableConfigurationIsToldByField(t *testing.T) {
	m := installed(t, "program")
	m.Configuration = []byte(`{"mean_g_per_s": 0, "samples_per_s": 5000, "cable": "here"}`)
	a, err := host.New(options(m, &journal{}))
	if err != nil {
		t.Fatal(err)
	}
	defer a.Shutdown(context.Background())
	a.Start()
	_, err = a.Ready(within(t))
	if f, ok := errors.AsType[*host.Failure](err); !ok || f.Reason != host.ReasonConfiguration {
		t.Fatalf("error %v", err)
	}
	refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION")
	if got := violations(err); !slices.Equal(got, []string{"mean_g_per_s", "samples_per_s", "cable"}) {
		t.Errorf("violations of %q", got)
	}
}

func TestConfigureKeepsItsSentences(t *testing.T) {
	b := ready(t)
	set := func(text string, only bool) error {
		_, err := b.Configure(within(t), &adapterv1beta1.ConfigureRequest{ConfigurationJson: text, ValidateOnly: only})
		return err
	}
	for text, want := range map[string][]string{
		`{`:                             {"configuration"},
		`[]`:                            {"configuration"},
		`{"mean": 3}`:                   {"mean"},
		`{"period_s": "x", "cable": 1}`: {"period_s", "cable"},
		`{"toString": 1}`:               {"toString"},
		`{"period_s": 0}`:               {"period_s"},
	} {
		err := set(text, false)
		refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION")
		if got := violations(err); !slices.Equal(got, want) {
			t.Errorf("F1: %s: violations of %q, want %q", text, got, want)
		}
	}
	if err := set(`{"cable": "/nowhere/cable"}`, true); err != nil {
		t.Error(err)
	}
	found, err := b.ListDevices(within(t), &adapterv1beta1.ListDevicesRequest{})
	if err != nil || len(found.GetDevices()) != 1 {
		t.Errorf("F2: a check changed something: %v, %v", found, err)
	}
	b.open()
	refused(t, set(`{}`, false), codes.FailedPrecondition, "BUSY") // F4
	if err := set(`{}`, true); err != nil {
		t.Errorf("F4: %v", err)
	}
	if err := b.close(); err != nil {
		t.Fatal(err)
	}
	if err := set(`{"cable": "/nowhere/cable"}`, false); err != nil {
		t.Fatal(err)
	}
	found, err = b.ListDevices(within(t), &adapterv1beta1.ListDevicesRequest{})
	if err != nil || len(found.GetDevices()) != 0 {
		t.Errorf("L3: %v, %v", found, err)
	}
	if err := set("", false); err != nil {
		t.Errorf("no configuration: %v", err)
	}
}

func TestDevicesKeepTheirSentences(t *testing.T) {
	b := ready(t)
	open := func(id string) error {
		_, err := b.OpenDevice(within(t), &adapterv1beta1.OpenDeviceRequest{DeviceId: id})
		return err
	}
	refused(t, open("box-2"), codes.NotFound, "NO_SUCH_DEVICE") // O1
	b.open()
	if !b.held() {
		t.Error("the box is not held")
	}
	refused(t, open(box), codes.FailedPrecondition, "BUSY") // O2
	if err := errors.Join(b.close(), b.close()); err != nil {
		t.Errorf("X1: %v", err)
	}
	if b.held() {
		t.Error("X3: the box is still held")
	}
	say(t, b.cable+".lock", fmt.Sprint(os.Getpid()))
	refused(t, open(box), codes.FailedPrecondition, "BUSY") // another program holds it
	if err := errors.Join(os.Remove(b.cable+".lock"), os.Remove(b.cable)); err != nil {
		t.Fatal(err)
	}
	refused(t, open(box), codes.Unavailable, "UNPLUGGED") // O3
	if b.held() {
		t.Error("O4: the box is held")
	}
	say(t, b.cable, "on")
	for range 20 {
		b.open()
		if err := b.close(); err != nil {
			t.Fatal(err)
		}
	}
	_, err := b.ask(0x01, 0x0C)
	refused(t, err, codes.FailedPrecondition, "NOT_OPEN")
	refused(t, b.feed(flow).until(never).err, codes.FailedPrecondition, "NOT_OPEN")
}

func never() bool { return false }

func TestFeedKeepsItsSentences(t *testing.T) {
	b := ready(t).open()
	f := b.feed(flow, "Vehicle.OBD.Nothing")
	f.until(f.samples(flow, 10))
	if len(f.none) != 1 || f.none[0].GetPath() != "Vehicle.OBD.Nothing" {
		t.Fatalf("S8: unavailable %v", f.none)
	}
	refused(t, status.FromProto(f.none[0].GetStatus()).Err(), codes.NotFound, "UNSUPPORTED_SIGNAL")
	refused(t, b.feed(flow).until(never).err, codes.FailedPrecondition, "BUSY") // S11

	f.want(0, engineSpeed) // S9
	f.until(func() bool { return f.answers == 2 })
	before := len(f.values[flow])
	f.until(f.samples(engineSpeed, 10))
	if len(f.values[flow]) != before || f.dict[0].GetPath() != flow || f.dict[1].GetPath() != engineSpeed {
		t.Errorf("S9: %d samples of what is not wanted; signals %v", len(f.values[flow])-before, f.dict)
	}

	f.want(5, flow)
	f.until(f.samples(flow, 1))
	began, n := f.last[flow], len(f.values[flow])
	f.until(f.samples(flow, 5))
	if took := time.Duration(f.last[flow]-began) * time.Microsecond; took < 700*time.Millisecond || len(f.values[flow]) > n+5 {
		t.Errorf("5 samples at 5 Hz came within %v", took)
	}

	say(t, b.cable, "off") // S10: silence is no end
	f.until(func() bool { return len(f.states) == 1 })
	say(t, b.cable, "on")
	f.until(f.samples(flow, 2))
	if want := []adapterv1beta1.LinkCondition{adapterv1beta1.LinkCondition_LINK_CONDITION_SILENT, adapterv1beta1.LinkCondition_LINK_CONDITION_UP}; !slices.Equal(f.states, want) {
		t.Errorf("S10: states %v", f.states)
	}
	if len(f.gaps) != 1 || f.gaps[0].GetReason() != adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_SILENT || f.gaps[0].GetEndUs() <= f.gaps[0].GetStartUs() {
		t.Errorf("S3: gaps %v", f.gaps)
	}

	if err := os.Remove(b.cable); err != nil {
		t.Fatal(err)
	}
	refused(t, f.until(never).err, codes.Unavailable, "UNPLUGGED") // S10
}

func TestFeedEndsWithItsDeviceOrItsHost(t *testing.T) {
	b := ready(t).open()
	f := b.feed(flow)
	f.until(f.samples(flow, 3))
	if err := b.close(); err != nil {
		t.Fatal(err)
	}
	refused(t, f.until(never).err, codes.Aborted, "CLOSED") // X2
	b.open()
	for range 10 { // S12: each cancelled feed makes room for the next
		f = b.feed(flow)
		f.until(f.samples(flow, 1))
		if f.err != nil {
			t.Fatal(f.err)
		}
		f.end()
	}
	empty, err := b.Feed(within(t))
	if err == nil {
		err = empty.CloseSend()
	}
	if err != nil {
		t.Fatal(err)
	}
	_, err = empty.Recv()
	refused(t, err, codes.InvalidArgument, "UNSPECIFIED")
	f = b.feed(flow)
	f.until(f.samples(flow, 1))
	if err := f.Send(&adapterv1beta1.FeedRequest{DeviceId: "box-9"}); err != nil {
		t.Fatal(err)
	}
	refused(t, f.until(never).err, codes.InvalidArgument, "UNSPECIFIED")
}

func TestRequestsKeepTheirSentences(t *testing.T) {
	b := ready(t).open()
	for payload, want := range map[string][]string{
		"\x01\x0C":     {"410C"},
		"\x01\x10\x0F": {"4110", "0F41"}, // two parameters in one payload, R2; 25 °C is 65
		"\x01\x00":     {"4100", "4100"}, // both control units
		"\x22\xF4\x0C": {"7F2231", "7F2231"},
		"\x03":         {"7F0311", "7F0311"}, // R3
	} {
		r, err := b.ask([]byte(payload)...)
		if err != nil || len(r.GetAnswers()) == 0 {
			t.Errorf("%X: %v, %v", payload, r, err)
			continue
		}
		for i, a := range r.GetAnswers() {
			if got := fmt.Sprintf("%X", a.GetPayload()); !strings.HasPrefix(got, want[i][:4]) || !strings.Contains(got, want[len(want)-1]) {
				t.Errorf("%X: answer %s, want %q", payload, got, want)
			}
			if a.GetReceivedUs() < r.GetSentUs() || a.GetTimeUncertaintyUs() < 1 || a.GetSource() < 0x7E8 {
				t.Errorf("R7: answer %v of a request sent at %d", a, r.GetSentUs())
			}
		}
	}
	r, err := b.SendRequest(within(t), &adapterv1beta1.SendRequestRequest{DeviceId: box, Payload: []byte{0x01, 0x00}, Target: 0x7E1})
	if err != nil || len(r.GetAnswers()) != 1 || r.GetAnswers()[0].GetSource() != 0x7E9 {
		t.Errorf("one control unit: %v, %v", r, err)
	}
	r, err = b.SendRequest(within(t), &adapterv1beta1.SendRequestRequest{DeviceId: box, Payload: []byte{0x01, 0x00}, ExpectedAnswers: 1})
	if err != nil || len(r.GetAnswers()) != 1 {
		t.Errorf("one answer: %v, %v", r, err)
	}
	before, err := os.ReadFile(b.cable + ".traffic")
	if err != nil {
		t.Fatal(err)
	}
	for _, payload := range [][]byte{{0x04}, {0x2E, 0xF4, 0x0C, 0x00}, {}, {0x01}, {0x22, 0xF1, 0x90}} {
		_, err := b.ask(payload...)
		refused(t, err, codes.PermissionDenied, "NOT_READ_ONLY") // R1
	}
	if after, err := os.ReadFile(b.cable + ".traffic"); err != nil || !bytes.Equal(after, before) {
		t.Errorf("R1: it reached the vehicle: %s, %v", bytes.TrimPrefix(after, before), err)
	}
	began := time.Now()
	_, err = b.SendRequest(within(t), &adapterv1beta1.SendRequestRequest{DeviceId: box, Payload: []byte{0x01, 0x5A}, Timeout: durationpb.New(200 * time.Millisecond)})
	refused(t, err, codes.DeadlineExceeded, "SILENT") // R4
	if took := time.Since(began); took < 200*time.Millisecond || took > time.Second {
		t.Errorf("R4: took %v", took)
	}
	for _, timeout := range []time.Duration{-time.Second, 0, 6 * time.Second} {
		_, err = b.SendRequest(within(t), &adapterv1beta1.SendRequestRequest{DeviceId: box, Payload: []byte{0x01, 0x0C}, Timeout: durationpb.New(timeout)})
		refused(t, err, codes.InvalidArgument, "UNSPECIFIED")
	}
	_, err = b.ask(0x01, 0x1F)
	refused(t, err, codes.DataLoss, "GARBLED")
	if _, err = b.ask(0x01, 0x0C); err != nil {
		t.Errorf("R5: the next request: %v", err)
	}
	say(t, b.cable, "off")
	_, err = b.ask(0x01, 0x0C)
	refused(t, err, codes.DeadlineExceeded, "SILENT")
}

func all() []byte {
	bytes := make([]byte, 256)
	for i := range bytes {
		bytes[i] = byte(i)
	}
	return bytes
}

// The list of what only reads stands twice, once for each language.
func TestReadOnlyRuleIsThatOfTheSDK(t *testing.T) {
	var payloads bytes.Buffer
	var want []bool
	add := func(payload ...byte) {
		fmt.Fprintf(&payloads, "%X\n", payload)
		want = append(want, j1979.CheckReadOnly(payload) == nil)
	}
	add()
	for service := range 256 {
		firsts := []byte{0x00, 0x01, 0x80, 0xF4}
		if slices.Contains([]int{0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A, 0x10, 0x19, 0x22, 0x3E}, service) {
			firsts = all()
		}
		for length := range 18 {
			for _, first := range firsts {
				payload := append([]byte{byte(service)}, bytes.Repeat([]byte{first}, length)...)
				add(payload...)
				if length > 1 { // a report with the group of emissions
					payload[2] = 0x33
					add(payload...)
				}
				if length > 2 { // behind an identifier that passes
					payload[1] = 0xF4
					add(payload...)
				}
			}
		}
	}
	cmd := exec.Command(node(t), "--input-type=module", "-e", `
		import { createInterface } from 'node:readline';
		import { checkReadOnly } from './lib/readonly.js';
		let verdicts = '';
		for await (const line of createInterface({ input: process.stdin })) {
			try { checkReadOnly(Buffer.from(line, 'hex')); verdicts += '1'; } catch (error) { verdicts += error.reason === 'NOT_READ_ONLY' ? '0' : '?'; }
		}
		process.stdout.write(verdicts);`)
	cmd.Stdin, cmd.Stderr = &payloads, os.Stderr
	lines := strings.Split(payloads.String(), "\n")
	got, err := cmd.Output()
	if err != nil || len(got) != len(want) {
		t.Fatalf("%v: %d verdicts on %d payloads", err, len(got), len(want))
	}
	for i, passes := range want {
		if (got[i] == '1') != passes || got[i] == '?' {
			t.Fatalf("%s: passes here %v, there %c", lines[i], passes, got[i])
		}
	}
	t.Logf("%d payloads, %d pass", len(want), bytes.Count(got, []byte("1")))
}

func TestKilledAdapterIsReplacedAndItsLockTakenOver(t *testing.T) {
	b := ready(t).open()
	if err := syscall.Kill(b.pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	eventually(t, "started again", 20*time.Second, func() bool { s := b.adapter.Status(); return s.State == host.StateReady && s.PID != b.pid })
	if !b.held() {
		t.Error("the lock of the killed adapter should still lie there")
	}
	c, err := b.adapter.Connection()
	if err != nil {
		t.Fatal(err)
	}
	b.AdapterServiceClient = c.Client
	b.open()
}

// playHost opens the box, reads it, says the adapter's process number and waits to be killed.
func playHost() {
	b, err := hold(os.Getenv("ADAPTER_NODE_TEST_FOLDER"), os.Getenv("ADAPTER_NODE_TEST_CABLE"))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(b)
	time.Sleep(time.Minute)
}

func hold(folder, cable string) (pid int, err error) {
	m, err := manifest.Load(folder)
	if err != nil {
		return 0, err
	}
	m.Configuration = fmt.Appendf(nil, `{"cable": %q}`, cable)
	a, err := host.New(host.Options{Manifest: m})
	if err != nil {
		return 0, err
	}
	a.Start()
	ctx := context.Background()
	c, err := a.Ready(ctx)
	if err != nil {
		return 0, err
	}
	if _, err := c.Client.OpenDevice(ctx, &adapterv1beta1.OpenDeviceRequest{DeviceId: box}); err != nil {
		return 0, err
	}
	f, err := c.Client.Feed(ctx)
	if err != nil {
		return 0, err
	}
	if err := f.Send(&adapterv1beta1.FeedRequest{DeviceId: box, Signals: []*adapterv1beta1.WantedSignal{{Path: flow}}}); err != nil {
		return 0, err
	}
	_, err = f.Recv()
	return c.PID, err
}

func TestKilledHostLeavesNoAdapterAndNoHeldBox(t *testing.T) {
	m := installed(t, "program")
	cable := plug(t)
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), roleEnv+"=host", "ADAPTER_NODE_TEST_FOLDER="+m.Dir, "ADAPTER_NODE_TEST_CABLE="+cable)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	var pid int
	if _, err := fmt.Fscanln(out, &pid); err != nil || gone(pid) || !exists(cable+".lock") {
		t.Fatalf("the host holds nothing: process %d, %v", pid, err)
	}
	began := time.Now()
	_ = cmd.Process.Kill()
	_ = cmd.Wait() // it was killed
	eventually(t, "the adapter is gone", 5*time.Second, func() bool { return gone(pid) })
	t.Logf("gone after %v", time.Since(began))
	if exists(cable + ".lock") {
		t.Error("the box is still held")
	}
}
