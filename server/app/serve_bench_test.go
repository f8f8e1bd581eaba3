// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"net"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"
	_ "modernc.org/sqlite" // For the bare receiver.

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// rawCodec sends and receives bytes as they are, so that both receivers get the
// same bytes and the sender costs the same.
type rawCodec struct{}

func (rawCodec) Name() string { return "proto" }

func (rawCodec) Marshal(v any) ([]byte, error) {
	raw, ok := v.(*[]byte)
	if !ok {
		return nil, fmt.Errorf("%T are no bytes", v)
	}
	return *raw, nil
}

func (rawCodec) Unmarshal(data []byte, v any) error {
	raw, ok := v.(*[]byte)
	if !ok {
		return fmt.Errorf("%T are no bytes", v)
	}
	*raw = append([]byte(nil), data...)
	return nil
}

// BenchmarkPushWatched is BenchmarkPush where somebody watches the verdict of
// each session, so that every sample is judged as it comes, on the same cores.
func BenchmarkPushWatched(b *testing.B) {
	const samples, streams = 50, 10
	took := pushOurs(b, samples, streams, true)
	bare := pushBare(b, samples, streams)
	b.ReportMetric(float64(b.N*samples)/took.Seconds(), "samples/s")
	b.ReportMetric(bare.Seconds()/took.Seconds(), "of-bare")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkPush measures durable and acknowledged samples a second, beside a
// bare stream of the same bytes whose receiver commits the same batches to the
// same settings of SQLite, grouping what waits as the store does. b.N is the
// number of batches.
func BenchmarkPush(b *testing.B) {
	for _, samples := range []int{50, 500} {
		for _, streams := range []int{1, 10, 100} {
			b.Run(fmt.Sprintf("samples=%d/streams=%d", samples, streams), func(b *testing.B) {
				ours := pushOurs(b, samples, streams, false)
				bare := pushBare(b, samples, streams)
				perSecond := func(took time.Duration) float64 { return float64(b.N*samples) / took.Seconds() }
				b.ReportMetric(perSecond(ours), "samples/s")
				b.ReportMetric(perSecond(bare), "bare-samples/s")
				b.ReportMetric(bare.Seconds()/ours.Seconds(), "of-bare")
				b.ReportMetric(0, "ns/op")
			})
		}
	}
}

// sender pushes n batches into one stream and waits for the last acknowledgement.
func sender(ctx context.Context, conn *grpc.ClientConn, method string, first []byte, batches [][]byte) error {
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, method, grpc.ForceCodec(rawCodec{}))
	if err != nil {
		return err
	}
	if err := stream.SendMsg(&first); err != nil {
		return err
	}
	sent := make(chan error, 1)
	go func() {
		for i := range batches {
			if err := stream.SendMsg(&batches[i]); err != nil {
				sent <- err
				return
			}
		}
		sent <- stream.CloseSend()
	}()
	last := int64(0)
	for {
		var raw []byte
		err := stream.RecvMsg(&raw)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		var r pb.PushSamplesResponse
		if err := proto.Unmarshal(raw, &r); err != nil {
			return err
		}
		last = max(last, r.GetAcknowledged().GetLastSequence())
	}
	if last != int64(len(batches)) {
		return fmt.Errorf("%d of %d batches were acknowledged", last, len(batches))
	}
	return <-sent
}

// wires are the messages of one stream.
func wires(b *testing.B, n, samples int) [][]byte {
	b.Helper()
	out := make([][]byte, n)
	for i := range out {
		m := batch(int64(i+1), samples)
		for k := range m.Value { // Values as a control unit quantises them.
			m.Value[k] = float64((i*7+k*13)%4000) / 4
		}
		m.BaseTimeUs = int64(i) * 1000
		out[i] = bytesOf(b, &pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Batch{Batch: m}})
	}
	return out
}

// inParallel sends b.N batches by a number of streams and gives the time.
func inParallel(b *testing.B, conn *grpc.ClientConn, method string, firsts [][]byte, samples int) time.Duration {
	b.Helper()
	share := wires(b, (b.N+len(firsts)-1)/len(firsts), samples)
	var all sync.WaitGroup
	start := time.Now()
	for i, first := range firsts {
		n := b.N / len(firsts)
		if i < b.N%len(firsts) {
			n++
		}
		all.Go(func() {
			if err := sender(context.Background(), conn, method, first, share[:n]); err != nil {
				b.Error(err)
			}
		})
	}
	all.Wait()
	return time.Since(start)
}

func pushOurs(b *testing.B, samples, streams int, watched bool) time.Duration {
	b.Helper()
	s := serveHere(b, func(o *ServeOptions) { o.LogHandler = nil })
	defer s.end()
	var firsts [][]byte
	for range streams {
		opened := s.session().GetName()
		if watched {
			stream := must(s.verdicts.WatchVerdict(s.context(), &pb.WatchVerdictRequest{Session: opened}))(b)
			must(stream.Recv())(b)
			go func() { _ = endOf(stream) }() // It ends with the service.
		}
		c := s.capture(opened)
		firsts = append(firsts, bytesOf(b, &pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Open{Open: &pb.PushOpen{Capture: c.GetName()}}}))
	}
	return inParallel(b, s.conn, pb.SessionService_PushSamples_FullMethodName, firsts, samples)
}

// bareBatch is a message on its way to the bare receiver's commit.
type bareBatch struct {
	stream   int64
	sequence int64
	blob     []byte
	done     chan<- int64
}

func pushBare(b *testing.B, samples, streams int) time.Duration {
	b.Helper()
	db := bareDB(b)
	queue := make(chan bareBatch, 1024)
	committed := make(chan struct{})
	go func() {
		defer close(committed)
		bareCommits(b, db, queue)
	}()
	streamNumber := make(chan int64, streams)
	for i := range streams {
		streamNumber <- int64(i)
	}
	server := grpc.NewServer(grpc.ForceServerCodec(rawCodec{}), grpc.UnknownServiceHandler(func(_ any, stream grpc.ServerStream) error {
		return bareReceive(stream, <-streamNumber, queue)
	}))
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	conn, err := grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		b.Fatal(err)
	}
	took := inParallel(b, conn, "/bare/Push", make([][]byte, streams), samples)
	server.GracefulStop()
	close(queue)
	<-committed
	if err := errors.Join(conn.Close(), <-served, db.Close()); err != nil {
		b.Error(err)
	}
	return took
}

// bareReceive hands on messages and acknowledges what is committed.
func bareReceive(stream grpc.ServerStream, number int64, queue chan<- bareBatch) error {
	var first []byte
	if err := stream.RecvMsg(&first); err != nil {
		return err
	}
	done := make(chan int64, 1<<16)
	received := make(chan int64, 1)
	go func() {
		n := int64(0)
		for {
			var blob []byte
			if stream.RecvMsg(&blob) != nil {
				received <- n
				return
			}
			n++
			queue <- bareBatch{number, n, blob, done}
		}
	}()
	acknowledged, want := int64(0), int64(-1)
	for acknowledged != want {
		select {
		case want = <-received:
			continue
		case acknowledged = <-done:
		}
		for len(done) > 0 { // One answer for all that is committed.
			acknowledged = <-done
		}
		r := &pb.PushSamplesResponse{Message: &pb.PushSamplesResponse_Acknowledged{Acknowledged: &pb.PushAcknowledged{LastSequence: acknowledged}}}
		raw, err := proto.Marshal(r)
		if err != nil {
			return err
		}
		if err := stream.SendMsg(&raw); err != nil {
			return err
		}
	}
	return nil
}

func bareDB(b *testing.B) *sql.DB {
	b.Helper()
	options := "_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=cache_size(-32768)&_pragma=wal_autocheckpoint(4096)&_pragma=journal_size_limit(67108864)"
	db, err := sql.Open("sqlite", "file:"+filepath.Join(b.TempDir(), "bare.db")+"?"+options)
	if err != nil {
		b.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	if _, err := db.Exec(`CREATE TABLE bare (place INTEGER PRIMARY KEY, stream INTEGER NOT NULL, sequence INTEGER NOT NULL, blob BLOB NOT NULL)`); err != nil {
		b.Fatal(err)
	}
	return db
}

// bareCommits commits what waits, as much at once as there is.
func bareCommits(b *testing.B, db *sql.DB, queue <-chan bareBatch) {
	insert, err := db.Prepare(`INSERT INTO bare (stream, sequence, blob) VALUES (?, ?, ?)`)
	if err != nil {
		b.Error(err)
		return
	}
	defer func() { _ = insert.Close() }() // Closing the database tells.
	for first := range queue {
		group := []bareBatch{first}
		for len(queue) > 0 && len(group) < cap(queue) {
			group = append(group, <-queue)
		}
		if err := bareCommit(db, insert, group); err != nil {
			b.Error(err)
			return
		}
		for _, g := range group {
			g.done <- g.sequence
		}
	}
}

func bareCommit(db *sql.DB, insert *sql.Stmt, group []bareBatch) error {
	tx, err := db.Begin()
	if err != nil {
		return err
	}
	stmt := tx.Stmt(insert) //nolint:sqlclosecheck // The end of the transaction closes it.
	for _, g := range group {
		if _, err := stmt.Exec(g.stream, g.sequence, g.blob); err != nil {
			return errors.Join(err, tx.Rollback())
		}
	}
	return tx.Commit()
}

// BenchmarkServeStart measures the program as a process with 10,000 stored
// sessions, from its start to the line that says that it is ready, and to the
// answer to a first call.
func BenchmarkServeStart(b *testing.B) {
	binary := built(b)
	data := filepath.Join(b.TempDir(), "data")
	storeSessions(b, data, 10_000)
	var ready, answered time.Duration
	for b.Loop() {
		start := time.Now()
		p := startProcess(b, binary, "serve", "--listen", "127.0.0.1:0", "--data", data)
		ready += time.Since(start)
		conn, err := grpc.NewClient(p.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
		if err != nil {
			b.Fatal(err)
		}
		r, err := pb.NewSessionServiceClient(conn).ListSessions(context.Background(), &pb.ListSessionsRequest{PageSize: 1000})
		if err != nil || len(r.GetSessions()) != 1000 {
			b.Fatalf("%d sessions (%v)", len(r.GetSessions()), err)
		}
		answered += time.Since(start)
		if err := conn.Close(); err != nil {
			b.Error(err)
		}
		if err := p.stop(); err != nil {
			b.Error(err)
		}
	}
	b.ReportMetric(float64(ready.Microseconds())/1000/float64(b.N), "ready-ms")
	b.ReportMetric(float64(answered.Microseconds())/1000/float64(b.N), "first-answer-ms")
}

// built is the program.
func built(t testing.TB) string {
	t.Helper()
	binary := filepath.Join(t.TempDir(), "airassayd")
	if out, err := exec.Command("go", "build", "-o", binary, "github.com/airassay/airassay/server/airassayd").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return binary
}

// storeSessions stores sessions of one capture each.
func storeSessions(b *testing.B, data string, n int) {
	b.Helper()
	s := serveHere(b, func(o *ServeOptions) { o.Data, o.LogHandler = data, nil })
	vehicle := s.vehicle().GetName()
	var all sync.WaitGroup
	for range 50 {
		all.Go(func() {
			for range n / 50 {
				ctx := context.Background()
				opened, err := s.sessions.CreateSession(ctx, &pb.CreateSessionRequest{Session: &pb.Session{Vehicle: vehicle}})
				if err != nil {
					b.Error(err)
					return
				}
				c := &pb.Capture{Signals: twoSignals, Clock: pb.ClockKind_CLOCK_KIND_HOST}
				if _, err := s.sessions.CreateCapture(ctx, &pb.CreateCaptureRequest{Parent: opened.GetSession().GetName(), Capture: c}); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	all.Wait()
	if err := s.stop(); err != nil {
		b.Fatal(err)
	}
}

// process is the program as a process of its own.
type process struct {
	cmd     *exec.Cmd
	address string
	log     *lockedBuffer
}

func startProcess(t testing.TB, name string, args ...string) *process {
	t.Helper()
	p := &process{cmd: exec.Command(name, args...), log: &lockedBuffer{}}
	p.cmd.Stderr = p.log
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	address, ok := strings.CutPrefix(strings.TrimSpace(line), "ready grpc=")
	if !ok {
		_ = p.cmd.Process.Kill() // It is of no use any more.
		_ = p.cmd.Wait()
		t.Fatalf("it said %q (%v); its log: %s", line, err, p.log)
	}
	p.address = address
	return p
}

// stop asks the process to end and waits for it.
func (p *process) stop() error {
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	return p.cmd.Wait()
}

// BenchmarkSessionsAtOnce streams 50 samples a second into each of many
// sessions, ten samples a batch, for ten seconds an iteration, all of it by one
// connection from this process. It reports the longest and the usual time from
// sending a batch to its acknowledgement; a batch that is lost fails it.
func BenchmarkSessionsAtOnce(b *testing.B) {
	for _, n := range []int{500, 2000} {
		b.Run(fmt.Sprintf("sessions=%d", n), func(b *testing.B) {
			s := serveHere(b, func(o *ServeOptions) { o.LogHandler = nil })
			firsts := make([][]byte, n)
			var all sync.WaitGroup
			for w := range 50 {
				all.Go(func() {
					for i := w; i < n; i += 50 {
						c := s.capture(s.session().GetName())
						firsts[i] = bytesOf(b, &pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Open{Open: &pb.PushOpen{Capture: c.GetName()}}})
					}
				})
			}
			all.Wait()
			const seconds, perSecond = 10, 5
			share := wires(b, seconds*perSecond*b.N, 10)
			var mu sync.Mutex
			var lags []time.Duration
			b.ResetTimer()
			for i := range n {
				all.Go(func() {
					time.Sleep(time.Duration(i) * time.Second / time.Duration(perSecond*n)) // Spread evenly.
					own, err := paced(s.conn, firsts[i], share, time.Second/perSecond)
					if err != nil {
						b.Error(err)
					}
					mu.Lock()
					defer mu.Unlock()
					lags = append(lags, own...)
				})
			}
			all.Wait()
			slices.Sort(lags)
			b.ReportMetric(float64(len(lags)*10)/b.Elapsed().Seconds(), "samples/s")
			b.ReportMetric(float64(lags[len(lags)/2].Microseconds())/1000, "p50-ms")
			b.ReportMetric(float64(lags[len(lags)*99/100].Microseconds())/1000, "p99-ms")
			b.ReportMetric(float64(lags[len(lags)-1].Microseconds())/1000, "max-ms")
		})
	}
}

// paced pushes batches at a steady pace and gives the time from sending each to
// the acknowledgement that covers it.
func paced(conn *grpc.ClientConn, first []byte, batches [][]byte, every time.Duration) ([]time.Duration, error) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, pb.SessionService_PushSamples_FullMethodName, grpc.ForceCodec(rawCodec{}))
	if err != nil {
		return nil, err
	}
	if err := stream.SendMsg(&first); err != nil {
		return nil, err
	}
	times := make(chan time.Time, len(batches))
	go func() {
		pace := time.NewTicker(every)
		defer pace.Stop()
		for i := range batches {
			<-pace.C
			times <- time.Now()
			if stream.SendMsg(&batches[i]) != nil {
				return
			}
		}
		_ = stream.CloseSend() // The receiving side sees what became of it.
	}()
	var lags []time.Duration
	for {
		var raw []byte
		err := stream.RecvMsg(&raw)
		if errors.Is(err, io.EOF) && len(lags) == len(batches) {
			return lags, nil
		}
		if err != nil {
			return lags, fmt.Errorf("%d of %d batches: %w", len(lags), len(batches), err)
		}
		var r pb.PushSamplesResponse
		if err := proto.Unmarshal(raw, &r); err != nil {
			return lags, err
		}
		for int64(len(lags)) < r.GetAcknowledged().GetLastSequence() {
			lags = append(lags, time.Since(<-times))
		}
	}
}
