// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"runtime"
	"testing"
	"unsafe"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// memoryBudget of one session's assay in bytes.
const memoryBudget = 1 << 20

func TestAssayFitsItsMemory(t *testing.T) {
	if n := unsafe.Sizeof(assay.Assay{}); n > memoryBudget {
		t.Errorf("an assay is %d bytes, more than %d", n, memoryBudget)
	} else {
		t.Logf("an assay is %d bytes", n)
	}
}

func heapBytes() uint64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// A drive of ten times the length must leave no more behind.
func TestLongDrivesTakeNoMoreMemory(t *testing.T) {
	held := func(laps int) int64 {
		d := assaytest.Make(assaytest.Spec{Seed: 13, Laps: laps})
		before := heapBytes()
		a := d.Start()
		for _, s := range d.Samples {
			a.Push(s)
		}
		n := int64(heapBytes() - before)
		runtime.KeepAlive(a)
		runtime.KeepAlive(d)
		return n
	}
	held(1)
	one, ten := held(1), held(10)
	t.Logf("one lap holds %d bytes, ten hold %d", one, ten)
	if one > memoryBudget || ten > memoryBudget {
		t.Errorf("an assay under way holds %d and %d bytes, more than %d", one, ten, memoryBudget)
	}
	// A page of slack: the runtime's own bookkeeping breathes.
	if ten > one+32<<10 {
		t.Errorf("ten times the drive holds %d bytes more", ten-one)
	}
}

// Garbage in a hot path is felt by two thousand sessions at once.
func TestPushAllocatesNothing(t *testing.T) {
	for name, spec := range map[string]assaytest.Spec{
		"petrol": {Seed: 14}, "two banks": {Seed: 14, TwoBanks: true, TwoMeters: true}, "no meter": {Seed: 14, NoMeter: true},
		"diesel": {Seed: 14, Diesel: true}, "dropouts": {Seed: 14, Fault: assaytest.Fault{DropoutEvery: 20}},
	} {
		d := assaytest.Make(spec)
		a := d.Start()
		for _, s := range d.Samples[:200] {
			a.Push(s)
		}
		i := 200
		perRun := testing.AllocsPerRun(len(d.Samples)-300, func() {
			a.Push(d.Samples[i])
			i++
		})
		if perRun != 0 {
			t.Errorf("%s: %v allocations per sample", name, perRun)
		}
		a = d.Start()
		all := testing.AllocsPerRun(1, func() {
			for _, s := range d.Samples {
				a.Push(s)
			}
		})
		if all != 0 {
			t.Errorf("%s: %v allocations in a whole drive", name, all)
		}
	}
}
