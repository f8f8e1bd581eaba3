// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"errors"
	"iter"
	"log/slog"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/store"
)

// Config is what a Manager needs. Store, Facts and Convert must be given.
type Config struct {
	// Store keeps everything. The manager does not close it. One manager at a time may work on a store.
	Store store.Store
	// Facts translates a vehicle and the day for the assay; either may be nil.
	Facts func(*pb.Vehicle, *pb.DayConditions) assay.Facts
	// Convert translates an assessment for the API. It must not keep its argument.
	Convert func(*assay.Assessment) *pb.Assessment
	// Clock gives the time of day; time.Now where it is nil.
	Clock func() time.Time
	// Logger takes what no caller can be told; discarded where it is nil.
	Logger *slog.Logger
	// Limits; what is 0 has its default.
	Limits Limits
}

// Limits bound what one caller can ask for.
type Limits struct {
	// Assays is how many assays are kept in memory, at 0.7 MB each; 256 where it is 0.
	// Those that are watched are kept beyond it.
	Assays int
	// Idle is how long an assay that nobody needs is kept; 10 minutes where it is 0.
	Idle time.Duration
	// Requests is how long request ids are remembered; 7 days where it is 0.
	Requests time.Duration
}

// Limits of one call, as the API states them.
const (
	// MaxBatchSamples is the most samples of one batch.
	MaxBatchSamples = 10_000
	// MaxBatchBytes is the most bytes of one batch, as it is stored.
	MaxBatchBytes = 1 << 20
	// MaxAhead is how far ahead of now a sample may be: a recording may be pushed faster than it was driven.
	MaxAhead = 24 * time.Hour
	// MaxSignals is the most signals of one capture; VSS itself has about a thousand leaves.
	MaxSignals = 1000
	// MaxCaptures is the most captures of one session: one is usual, one more for each reconnected source.
	MaxCaptures = 100
	// DefaultPageSize and MaxPageSize bound lists.
	DefaultPageSize = 50
	MaxPageSize     = 1000
)

// Manager keeps sessions. Every method may be called from any number of
// goroutines at once.
type Manager struct{}

// New makes a manager. It reads nothing: sessions are loaded when they are first asked for.
func New(c Config) (*Manager, error) { return nil, errors.New("under construction") }

// Close ends watchers with ErrUnavailable, makes durable what writers have queued and
// ends them with ErrUnavailable, and waits for calls under way, at most until ctx ends.
// Later calls give ErrUnavailable. The store may be closed afterwards.
func (m *Manager) Close(ctx context.Context) error { return nil }

// Stats counts what is in memory now.
type Stats struct {
	// Sessions in memory, Assays among them, Writers and Watchers that are open.
	Sessions, Assays, Writers, Watchers int
}

// Stats counts what is in memory now, for metrics.
func (m *Manager) Stats() Stats { return Stats{} }

// ListOptions ask for one page.
type ListOptions struct {
	// PageSize is the most entries; 0 for DefaultPageSize, at most MaxPageSize.
	PageSize int
	// PageToken is that of the page before; empty for the first.
	PageToken string
	// Filter restricts the list, as the API's request says; not for captures and verdicts.
	Filter string
}

// CreateVehicle stores a vehicle. A repeat with the same requestID and body gives the
// vehicle of the first call, as it is now. Errors: ErrInvalid, ErrRequestIDReused.
func (m *Manager) CreateVehicle(ctx context.Context, shop string, v *pb.Vehicle, requestID string) (*pb.Vehicle, error) {
	return nil, ErrInternal
}

// GetVehicle reads a vehicle, or gives ErrNotFound.
func (m *Manager) GetVehicle(ctx context.Context, shop, name string) (*pb.Vehicle, error) {
	return nil, ErrInternal
}

// ListVehicles lists vehicles in the order of their creation, and gives the next page's token.
func (m *Manager) ListVehicles(ctx context.Context, shop string, o ListOptions) ([]*pb.Vehicle, string, error) {
	return nil, "", ErrInternal
}

// UpdateVehicle changes the fields of mask; all that a caller may set where it is empty or "*".
// Errors: ErrInvalid, ErrNotFound, ErrEtagMismatch where v has an etag that is not the current one.
func (m *Manager) UpdateVehicle(ctx context.Context, shop string, v *pb.Vehicle, mask []string) (*pb.Vehicle, error) {
	return nil, ErrInternal
}

// DeleteVehicle removes a vehicle that has no sessions. Errors: ErrNotFound,
// ErrEtagMismatch where etag is given and not the current one, ErrVehicleHasSessions.
func (m *Manager) DeleteVehicle(ctx context.Context, shop, name, etag string) error {
	return ErrInternal
}

// CreateSession opens a session and keeps the facts of its vehicle as they are now. A repeat with
// the same requestID and body gives the session of the first call, as it is now. Errors:
// ErrInvalid, ErrNotFound for the vehicle, ErrRequestIDReused.
func (m *Manager) CreateSession(ctx context.Context, shop string, s *pb.Session, requestID string) (*pb.Session, error) {
	return nil, ErrInternal
}

// GetSession reads a session, or gives ErrNotFound.
func (m *Manager) GetSession(ctx context.Context, shop, name string) (*pb.Session, error) {
	return nil, ErrInternal
}

// ListSessions lists sessions in the order of their creation, and gives the next page's token.
func (m *Manager) ListSessions(ctx context.Context, shop string, o ListOptions) ([]*pb.Session, string, error) {
	return nil, "", ErrInternal
}

// UpdateSession changes day conditions, confirmations and the external reference of an open
// session; all of them where mask is empty or "*". mask may name fields inside day_conditions.
// Errors: ErrInvalid, ErrNotFound, ErrEtagMismatch, ErrSessionClosed.
func (m *Manager) UpdateSession(ctx context.Context, shop string, s *pb.Session, mask []string) (*pb.Session, error) {
	return nil, ErrInternal
}

// CloseSession fences all writers off, finishes the captures and freezes the verdict, whose
// name it gives. Closing a closed session gives it as it is, with that same name.
func (m *Manager) CloseSession(ctx context.Context, shop, name string) (closed *pb.Session, verdict string, err error) {
	return nil, "", ErrInternal
}

// CreateCapture declares a stream of samples into a session (parent). Unknown paths are
// accepted. Errors: ErrInvalid, ErrNotFound, ErrSessionClosed, ErrWrongUnit, ErrTooMany, ErrRequestIDReused.
func (m *Manager) CreateCapture(ctx context.Context, shop, parent string, c *pb.Capture, requestID string) (*pb.Capture, error) {
	return nil, ErrInternal
}

// GetCapture reads a capture with its counts as they are now, or gives ErrNotFound.
func (m *Manager) GetCapture(ctx context.Context, shop, name string) (*pb.Capture, error) {
	return nil, ErrInternal
}

// ListCaptures lists the captures of a session in the order of their creation.
func (m *Manager) ListCaptures(ctx context.Context, shop, parent string, o ListOptions) ([]*pb.Capture, string, error) {
	return nil, "", ErrInternal
}

// FinishCapture says that the source is done: what its writer has queued is made durable, and
// the writer ends with ErrCaptureFinished. Finishing a finished capture gives it as it is.
func (m *Manager) FinishCapture(ctx context.Context, shop, name string) (*pb.Capture, error) {
	return nil, ErrInternal
}

// AssessSession gives the verdict on all samples that are durable now, without name, time and text.
func (m *Manager) AssessSession(ctx context.Context, shop, name string) (*pb.Verdict, error) {
	return nil, ErrInternal
}

// GetVerdict reads a stored verdict, without text, or gives ErrNotFound.
func (m *Manager) GetVerdict(ctx context.Context, shop, name string) (*pb.Verdict, error) {
	return nil, ErrInternal
}

// ListVerdicts lists the stored verdicts of a session in the order of their creation, without text.
func (m *Manager) ListVerdicts(ctx context.Context, shop, parent string, o ListOptions) ([]*pb.Verdict, string, error) {
	return nil, "", ErrInternal
}

// ReassessSession judges a closed session's samples again with this engine and stores another
// verdict. Errors: ErrNotFound, ErrInvalid where the session is open, ErrRequestIDReused.
func (m *Manager) ReassessSession(ctx context.Context, shop, name, requestID string) (*pb.Verdict, error) {
	return nil, ErrInternal
}

// Writer pushes the batches of one capture. Append may be called by one goroutine,
// Acknowledged by another at the same time, Close by any.
//
// A stream's handler runs two loops. One receives batches and calls Append until the client is
// done or Append fails, then Close. The other calls Acknowledged, sends what it gets to the
// client, and ends the stream with the error that it gets in the end.
type Writer struct {
	// Epoch is this writer's; it resumes the capture later.
	Epoch int64
	// LastSequence was the highest durable sequence when the writer was opened.
	LastSequence int64
}

// OpenWriter makes the caller the capture's only writer. Epoch 0 takes the capture over with the next
// epoch. Another epoch resumes, and is kept, as long as it is that of the capture's last writer;
// ErrFenced otherwise. Either way a writer that is still open ends with ErrFenced. Further
// errors: ErrNotFound, ErrSessionClosed, ErrCaptureFinished.
func (m *Manager) OpenWriter(ctx context.Context, shop, capture string, epoch int64) (*Writer, error) {
	return nil, ErrInternal
}

// Append validates a batch and queues it to be made durable. It returns before that, and blocks while
// too much is queued. The batch belongs to the writer afterwards. Batches that are queued go
// to the store together.
//
// An error other than that of ctx ends the writer: what was queued before is still made
// durable and acknowledged, then Acknowledged gives the same error. Errors: ErrInvalid, ErrBatchTooLarge,
// ErrTimeOutOfSession and ErrGap of this batch; ErrBatchConflict, ErrFenced, ErrSessionClosed,
// ErrCaptureFinished and ErrUnavailable also of earlier ones.
func (w *Writer) Append(ctx context.Context, batch *pb.SampleBatch) error { return ErrInternal }

// Acknowledged waits until batches that were appended since the last call are durable and in the assay (repeats
// count), and gives the highest durable sequence. When there will be no more, it gives the error that ended
// the writer, or io.EOF after Close.
func (w *Writer) Acknowledged(ctx context.Context) (int64, error) { return 0, ErrInternal }

// Close waits until what is queued is durable, and ends the writer. It gives the error that ended it before, if one
// did. The capture stays open. A second Close gives the same.
func (w *Writer) Close() error { return nil }

// WatchSamples yields the batches of a capture from a sequence on (0 for the first), then live. It
// reads from the store: a slow body lags but misses nothing, and no writer waits for it. It ends
// when the capture is finished, or its session closed, and all was yielded. An error is yielded once and ends it.
func (m *Manager) WatchSamples(ctx context.Context, shop, capture string, start int64) iter.Seq2[*pb.SampleBatch, error] {
	return func(yield func(*pb.SampleBatch, error) bool) { yield(nil, ErrInternal) }
}

// ProgressState is one state of a drive.
type ProgressState struct {
	// Progress is the watcher's own to fill in the prompt; what it points to is shared and must not be changed.
	Progress *pb.SessionProgress
	// ConfirmationMissing is set where a full-load pull would come next and is held back, because neither a
	// second person nor a dynamometer was confirmed.
	ConfirmationMissing bool
	// Closed is set in the last state, that of the closed session.
	Closed bool
	// Dropped is the number of states that this watcher missed since the one before.
	Dropped int64
}

// WatchProgress yields how far a drive has come, at once and then with every change, at most ten
// times a second; a slow body gets the newest state. It ends after the state of the closed session.
// An error is yielded once and ends it.
func (m *Manager) WatchProgress(ctx context.Context, shop, session string) iter.Seq2[ProgressState, error] {
	return func(yield func(ProgressState, error) bool) { yield(ProgressState{}, ErrInternal) }
}

// VerdictState is one state of a verdict.
type VerdictState struct {
	// Verdict is the watcher's own to fill in the text; its assessment is shared and must not be
	// changed. It has a name and a time only in the last state, that of the closed session.
	Verdict *pb.Verdict
	// Dropped is the number of states that this watcher missed since the one before.
	Dropped int64
}

// WatchVerdict yields the verdict at once and whenever samples have changed it, at most four times a
// second; a slow body gets the newest. It ends after the frozen verdict of the closed session. An error
// is yielded once and ends it.
func (m *Manager) WatchVerdict(ctx context.Context, shop, session string) iter.Seq2[VerdictState, error] {
	return func(yield func(VerdictState, error) bool) { yield(VerdictState{}, ErrInternal) }
}
