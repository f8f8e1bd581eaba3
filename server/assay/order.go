// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

const (
	// watermarkUS is how far behind the newest sample an older one may still
	// arrive and be used, in microseconds. Captures of one session run beside
	// each other with network jitter well below a second.
	watermarkUS = 1 * second
	// orderCapacity bounds the samples that wait for the watermark. It holds one
	// second of the fastest link (300 samples a second) six times over; when it
	// is full the oldest is released early.
	orderCapacity = 2048
)

// entry is one sample on its way.
type entry struct {
	t       int64
	v       float64
	unc     int64
	seq     int64
	capture int32
	sig     signal
}

func (a *entry) before(b *entry) bool {
	switch {
	case a.t != b.t:
		return a.t < b.t
	case a.capture != b.capture:
		return a.capture < b.capture
	case a.sig != b.sig:
		return a.sig < b.sig
	default:
		return a.seq < b.seq
	}
}

// orderer puts samples in the order (time, capture, signal, sequence). Samples
// arrive almost in order, so an insertion from the newest end is the fast way.
type orderer struct {
	buf      [orderCapacity]entry
	head, n  int
	newest   int64
	released int64
	started  bool
}

func (o *orderer) at(i int) *entry { return &o.buf[(o.head+i)%orderCapacity] }

// insert takes e in, and reports false where e is older than what was released.
func (o *orderer) insert(e entry) bool {
	if o.started && e.t < o.released {
		return false
	}
	if !o.started || e.t > o.newest {
		o.newest = e.t
	}
	o.started = true
	i := o.n
	o.n++
	for i > 0 && e.before(o.at(i-1)) {
		*o.at(i) = *o.at(i - 1)
		i--
	}
	*o.at(i) = e
	return true
}

// ready reports whether the oldest entry may be released. One place stays
// free, so that insert always has room.
func (o *orderer) ready() bool {
	return o.n > 0 && (o.at(0).t <= o.newest-watermarkUS || o.n == orderCapacity-1)
}

func (o *orderer) pop() entry {
	e := *o.at(0)
	o.head = (o.head + 1) % orderCapacity
	o.n--
	if e.t > o.released {
		o.released = e.t
	}
	return e
}
