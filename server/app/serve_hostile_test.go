// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"context"
	"errors"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// hostile makes messages that nobody should send.
type hostile struct {
	*rand.Rand

	// names are names of things that are there, so that not all is refused at the door.
	names []string
	// gentle is set while a message is made that may well be accepted.
	gentle bool
}

var nastyStrings = []string{
	"", "-", "sessions/", "sessions/../../etc/passwd", "vehicles/" + strings.Repeat("a", 41), "%s%n%x", "\x00", "\u202e\U0001F600",
	`external_reference = "`, `state = OPEN AND state = CLOSED`, `vehicle = "vehicles/x" AND`, "{\"mapping_version\":1}", "time_s,MAF\n0,1\n1,2\n",
	"00000000-0000-0000-0000-000000000000", "en-GB-x-" + strings.Repeat("a", 60), "*", "day_conditions.altitude_m", "name", "Vehicle.OBD.MAF", "g/s",
}

var nastyInts = []int64{0, 1, 2, -1, 3, 1000, 1001, math.MaxInt32, math.MinInt32, math.MaxInt64, math.MinInt64, 1 << 53, 86_400_000_000}

var nastyFloats = []float64{0, 1, -1, math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, math.SmallestNonzeroFloat64, 1e300, 800}

func (h *hostile) text(f protoreflect.FieldDescriptor) string {
	if h.gentle {
		if slices.Contains([]protoreflect.Name{"name", "parent", "vehicle", "session", "capture"}, f.Name()) {
			return h.names[h.IntN(len(h.names))]
		}
		return ""
	}
	switch h.IntN(4) {
	case 0:
		return h.names[h.IntN(len(h.names))]
	case 1:
		if h.IntN(50) == 0 {
			return strings.Repeat("x", h.IntN(3<<20))
		}
		return strings.Repeat("é", h.IntN(3000))
	}
	return nastyStrings[h.IntN(len(nastyStrings))]
}

// fill sets random fields of a message, sub-messages included.
func (h *hostile) fill(m protoreflect.Message, depth int) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if h.IntN(3) == 0 || depth > 6 {
			continue
		}
		switch {
		case f.IsList():
			h.list(m.Mutable(f).List(), f, depth)
		case f.IsMap():
		case f.Message() != nil:
			h.fill(m.Mutable(f).Message(), depth+1)
		default:
			m.Set(f, h.value(f))
		}
	}
}

func (h *hostile) list(l protoreflect.List, f protoreflect.FieldDescriptor, depth int) {
	n := h.IntN(4)
	if h.gentle {
		n = 2
	}
	if !h.gentle && h.IntN(20) == 0 {
		n = h.IntN(20_000)
	}
	for range n {
		if f.Message() == nil {
			l.Append(h.value(f))
			continue
		}
		item := l.NewElement()
		if n < 100 {
			h.fill(item.Message(), depth+1)
		}
		l.Append(item)
	}
}

func (h *hostile) value(f protoreflect.FieldDescriptor) protoreflect.Value {
	n, x := nastyInts[h.IntN(len(nastyInts))], nastyFloats[h.IntN(len(nastyFloats))]
	if h.gentle {
		n, x = int64(h.IntN(2)), 20
	}
	switch f.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(h.IntN(2) == 0)
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(protoreflect.EnumNumber(int32(n)))
	case protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Sfixed32Kind:
		return protoreflect.ValueOfInt32(int32(n))
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		return protoreflect.ValueOfInt64(n)
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(x)
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(strings.ToValidUTF8(h.text(f), ""))
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes([]byte(h.text(f)))
	}
	return f.Default()
}

// message is one message as bytes: well-formed most of the time.
func (h *hostile) message(t testing.TB, d protoreflect.MessageDescriptor) []byte {
	kind, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
	if err != nil {
		t.Error(err)
		return nil
	}
	m := kind.New()
	h.gentle = h.IntN(2) == 0
	h.fill(m, 0)
	raw := bytesOf(t, m.Interface())
	if h.gentle {
		return raw
	}
	switch h.IntN(8) {
	case 0: // Cut off.
		raw = raw[:h.IntN(len(raw)+1)]
	case 1: // Overwritten here and there, so that lengths lie.
		for range min(4, len(raw)) {
			raw[h.IntN(len(raw))] = byte(h.Uint32())
		}
	case 2: // Groups in groups, as deep as they go.
		raw = append(raw, []byte(strings.Repeat("\x0b", h.IntN(20_000)))...)
	}
	return raw
}

// plausible is a first message of a stream that opens something real.
func (h *hostile) plausible(t testing.TB, method string) []byte {
	switch {
	case strings.HasSuffix(method, "/PushSamples"):
		return bytesOf(t, &pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Open{Open: &pb.PushOpen{Capture: h.names[h.IntN(len(h.names))]}}})
	case strings.HasSuffix(method, "/AssayRecording") && h.IntN(2) == 0:
		return bytesOf(t, header(&pb.RecordingHeader{FileName: "x.csv"}))
	case strings.HasSuffix(method, "/AssayRecording"):
		return bytesOf(t, header(&pb.RecordingHeader{Signals: twoSignals, Clock: pb.ClockKind_CLOCK_KIND_HOST}))
	}
	return nil
}

// attack makes one call and says how it ended.
func (h *hostile) attack(t testing.TB, conn *grpc.ClientConn, m protoreflect.MethodDescriptor) error {
	method := "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
	ctx, cancel := context.WithTimeout(context.Background(), time.Duration(1+h.IntN(200))*time.Millisecond)
	defer cancel()
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, method, grpc.ForceCodec(rawCodec{}))
	if err != nil {
		return err
	}
	n := 1
	if m.IsStreamingClient() {
		n = h.IntN(6)
	}
	for i := range n {
		raw := h.message(t, m.Input())
		if first := h.plausible(t, method); i == 0 && len(first) > 0 && h.IntN(3) > 0 {
			raw = first
		}
		if err := stream.SendMsg(&raw); err != nil {
			break
		}
		if h.IntN(30) == 0 {
			cancel() // In the middle.
		}
	}
	if h.IntN(4) > 0 {
		_ = stream.CloseSend() // The answer tells more.
	}
	for range 20 {
		var raw []byte
		if err := stream.RecvMsg(&raw); err != nil {
			return err
		}
	}
	return nil // Left without reading the rest.
}

// ours are all methods of the API.
func ours() (all []protoreflect.MethodDescriptor) {
	for _, f := range []protoreflect.FileDescriptor{
		pb.File_airassay_v1beta1_vehicle_service_proto, pb.File_airassay_v1beta1_session_service_proto, pb.File_airassay_v1beta1_verdict_service_proto,
	} {
		for i := range f.Services().Len() {
			methods := f.Services().Get(i).Methods()
			for k := range methods.Len() {
				all = append(all, methods.Get(k))
			}
		}
	}
	return all
}

// hostileTime is how long the service is attacked; a variable lengthens it.
func hostileTime(t *testing.T) time.Duration {
	if s := os.Getenv("AIRASSAY_HOSTILETIME"); s != "" {
		d, err := time.ParseDuration(s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	return 4 * time.Second
}

func TestHostileCallersBreakNothingAndLeaveNothingBehind(t *testing.T) {
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	s := serveHere(t, func(o *ServeOptions) { o.LogHandler = nil })
	names := []string{s.vehicle().GetName()}
	for range 4 {
		opened := s.session().GetName()
		names = append(names, opened, s.capture(opened).GetName())
	}
	s.pushAll(names[2], batch(1, 50))
	before := usage(t)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	var mu sync.Mutex
	tally := map[string]int{} // By method and status.
	var all sync.WaitGroup
	until := time.Now().Add(hostileTime(t))
	for i := range 8 {
		all.Go(func() {
			h := &hostile{Rand: rand.New(rand.NewPCG(seed, uint64(i))), names: slices.Clone(names)}
			conn := s.dial()
			methods := ours()
			for k := 0; time.Now().Before(until); k++ {
				if k%25 == 0 { // Those before may be closed by now.
					opened := s.session().GetName()
					h.names = append(h.names[max(0, len(h.names)-8):], opened, s.capture(opened).GetName())
				}
				m := methods[h.IntN(len(methods))]
				err := h.attack(t, conn, m)
				if errors.Is(err, io.EOF) {
					err = nil
				}
				count(&mu, tally, string(m.Name())+" "+status.Code(err).String())
				judgeAnswer(t, m, err)
			}
			if err := conn.Close(); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	for _, what := range slices.Sorted(maps.Keys(tally)) {
		t.Logf("%6d %s", tally[what], what)
	}
	if _, err := s.vehicles.GetVehicle(s.context(), &pb.GetVehicleRequest{Name: names[0]}); err != nil && !codeIs(err, codes.NotFound) {
		t.Errorf("afterwards: %v", err)
	}
	settled(t, before)
	if left, err := filepath.Glob(filepath.Join(temp, "airassay-*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v (%v)", left, err)
	}
}

func count(mu *sync.Mutex, tally map[string]int, what string) {
	mu.Lock()
	defer mu.Unlock()
	tally[what]++
}

// judgeAnswer holds a refusal to what callers are promised: never a defect.
func judgeAnswer(t testing.TB, m protoreflect.MethodDescriptor, err error) {
	st := status.Convert(err)
	switch st.Code() {
	case codes.Unknown, codes.DataLoss:
		t.Errorf("%s: %v", m.FullName(), st)
	case codes.Internal:
		// The library's own words for bytes that are no message, and for a second message where one is expected.
		if !strings.Contains(st.Message(), "unmarshal") && !strings.Contains(st.Message(), "cardinality violation") && !strings.Contains(st.Message(), "RST_STREAM") {
			t.Errorf("%s: %v", m.FullName(), st)
		}
	}
}

// used is what a process holds.
type used struct {
	goroutines, descriptors int
	heap                    uint64
}

func usage(t testing.TB) used {
	t.Helper()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	files, err := os.ReadDir("/proc/self/fd")
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	return used{runtime.NumGoroutine(), len(files), m.HeapAlloc}
}

// settled waits until the process holds about as much as before.
func settled(t testing.TB, before used) {
	t.Helper()
	const memory = 64 << 20 // Sessions that callers have made stay, and so do assays in memory.
	var now used
	for range 100 {
		now = usage(t)
		// A reader's connection to the database may have been opened meanwhile.
		if now.goroutines <= before.goroutines+4 && now.descriptors <= before.descriptors+8 && now.heap <= before.heap+memory {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Errorf("before %+v, now %+v", before, now)
}
