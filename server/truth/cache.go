// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/scenario"
)

// Cache keeps simulated drives in a folder, a file each. A drive is used again only
// when its case is drawn as it was; of those that are, one in checkOneIn is driven
// again and compared, because a change of the simulator's motion does not show in
// the draw.
type Cache struct{ Folder string }

const checkOneIn = 64

// ErrStale is the error of a kept drive that the simulator would drive differently now.
var ErrStale = errors.New("the simulator has changed since this drive was kept; delete the folder and run again")

// Simulate takes a drive from the folder, or drives it and keeps it.
func (k Cache) Simulate(it Item) (*Drive, error) {
	if k.Folder == "" {
		return Simulate(it)
	}
	c := it.Draw()
	mark, err := fingerprint(&it, &c)
	if err != nil {
		return nil, err
	}
	path := filepath.Join(k.Folder, it.ID+".drive")
	truth, samples, err := load(path, mark)
	switch {
	case err == nil && rand.IntN(checkOneIn) == 0:
		if r := c.Run(); !sameDrive(&r, &truth, samples) {
			return nil, fmt.Errorf("kept drive %s: %w", path, ErrStale)
		}
		fallthrough
	case err == nil:
		return newDrive(it, c, truth, samples)
	case !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, errOtherCase):
		return nil, err
	}
	r := c.Run()
	if err := store(path, mark, &r); err != nil {
		return nil, err
	}
	return newDrive(it, c, r.Truth, r.Samples)
}

func sameDrive(r *scenario.Recording, t *scenario.Truth, samples []link.Sample) bool {
	if len(r.Samples) != len(samples) {
		return false
	}
	for i, s := range samples {
		if o := r.Samples[i]; o.TimeUS != s.TimeUS || o.Signal != s.Signal || math.Abs(o.Value-s.Value) > 1e-9*math.Abs(s.Value) {
			return false
		}
	}
	a, errA := json.Marshal(r.Truth)
	b, errB := json.Marshal(t)
	return errA == nil && errB == nil && bytes.Equal(a, b)
}

// A file is the magic, the fingerprint and the rest deflated: the truth as JSON behind
// its length, the number of samples, and for each sample the signal, the time since the
// last one and the change of the value since the last of its signal in steps.
const magic = "airassay drive 1\n"

// errOtherCase is the error of a file that holds another case than the one asked for.
var errOtherCase = errors.New("another case")

const maxSamples = 50_000_000

func store(path string, mark uint64, r *scenario.Recording) error {
	truth, err := json.Marshal(r.Truth)
	if err != nil {
		return fmt.Errorf("keep drive %s: %w", path, err)
	}
	var plain []byte
	plain = binary.AppendUvarint(plain, uint64(len(truth)))
	plain = append(plain, truth...)
	plain = binary.AppendUvarint(plain, uint64(len(r.Samples)))
	var at int64
	var last [engine.NumSignals]int64
	for _, s := range r.Samples {
		d := s.Signal.Define()
		k := int64(math.Round((s.Value - d.Min) / d.Step))
		plain = append(plain, byte(s.Signal))
		plain = binary.AppendVarint(plain, s.TimeUS-at)
		plain = binary.AppendVarint(plain, k-last[s.Signal])
		at, last[s.Signal] = s.TimeUS, k
	}
	var out bytes.Buffer
	out.WriteString(magic)
	out.Write(binary.LittleEndian.AppendUint64(nil, mark))
	z, err := flate.NewWriter(&out, flate.BestSpeed)
	if err != nil {
		return fmt.Errorf("keep drive %s: %w", path, err)
	}
	if _, err := z.Write(plain); err != nil {
		return fmt.Errorf("keep drive %s: %w", path, err)
	}
	if err := z.Close(); err != nil {
		return fmt.Errorf("keep drive %s: %w", path, err)
	}
	// Whole or not at all: a run that is stopped leaves no half of a drive.
	if err := os.WriteFile(path+".part", out.Bytes(), 0o644); err != nil {
		return fmt.Errorf("keep drive: %w", err)
	}
	if err := os.Rename(path+".part", path); err != nil {
		return fmt.Errorf("keep drive: %w", err)
	}
	return nil
}

func load(path string, mark uint64) (scenario.Truth, []link.Sample, error) {
	var t scenario.Truth
	data, err := os.ReadFile(path)
	if err != nil {
		return t, nil, fmt.Errorf("read a kept drive: %w", err)
	}
	damaged := func(what string) error {
		return fmt.Errorf("kept drive %s is damaged: %s; delete it", path, what)
	}
	rest, ok := bytes.CutPrefix(data, []byte(magic))
	if !ok || len(rest) < 8 {
		return t, nil, damaged("it does not begin as a kept drive does")
	}
	if binary.LittleEndian.Uint64(rest) != mark {
		return t, nil, fmt.Errorf("kept drive %s: %w", path, errOtherCase)
	}
	plain, err := io.ReadAll(flate.NewReader(bytes.NewReader(rest[8:])))
	if err != nil {
		return t, nil, damaged(err.Error())
	}
	size, n := binary.Uvarint(plain)
	if n <= 0 || size > uint64(len(plain)-n) {
		return t, nil, damaged("the truth is cut off")
	}
	if err := json.Unmarshal(plain[n:n+int(size)], &t); err != nil {
		return t, nil, damaged(err.Error())
	}
	samples, ok := unpack(plain[n+int(size):])
	if !ok {
		return t, nil, damaged("the samples are cut off")
	}
	return t, samples, nil
}

// unpack reads the samples to the last byte.
func unpack(data []byte) ([]link.Sample, bool) {
	count, n := binary.Uvarint(data)
	if n <= 0 || count > maxSamples || count > uint64(len(data)) {
		return nil, false
	}
	data = data[n:]
	samples := make([]link.Sample, 0, count)
	var at int64
	var last [engine.NumSignals]int64
	for range count {
		if len(data) == 0 || int(data[0]) >= int(engine.NumSignals) {
			return nil, false
		}
		s := engine.Signal(data[0])
		dt, n := binary.Varint(data[1:])
		if n <= 0 {
			return nil, false
		}
		dk, m := binary.Varint(data[1+n:])
		if m <= 0 {
			return nil, false
		}
		data = data[1+n+m:]
		at += dt
		last[s] += dk
		d := s.Define()
		samples = append(samples, link.Sample{TimeUS: at, Signal: s, Value: s.Quantise(d.Min + float64(last[s])*d.Step)})
	}
	if len(data) > 0 {
		return nil, false
	}
	return samples, true
}
