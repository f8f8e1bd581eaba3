// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"bytes"
	"reflect"
	"testing"
	"time"
)

// visited is what a vehicle with faults answers to a request for six parameters, beside what it would answer without.
func visited(t *testing.T, f Faults, after time.Duration) (got []Reply, sound Reply) {
	t.Helper()
	request := payload(t, "010c10040b110f")
	sound = fresh(Options{Latency: time.Millisecond}).Units()[0].Handle(noon.Add(after), request, true)[0]
	return fresh(Options{Latency: time.Millisecond, Faults: f}).Units()[0].Handle(noon.Add(after), request, true), sound
}

func TestEachTroubleDoesWhatItsNameSays(t *testing.T) {
	const late = 40 * time.Millisecond
	for trouble, ok := range map[Trouble]func(got []Reply, sound Reply) bool{
		Late: func(got []Reply, sound Reply) bool {
			return len(got) == 1 && got[0].After == sound.After+late && bytes.Equal(got[0].Payload, sound.Payload)
		},
		Lost: func(got []Reply, _ Reply) bool { return len(got) == 0 },
		Duplicated: func(got []Reply, sound Reply) bool {
			return len(got) == 2 && reflect.DeepEqual(got[0], sound) && reflect.DeepEqual(got[1], sound)
		},
		Truncated: func(got []Reply, sound Reply) bool {
			return len(got) == 1 && len(got[0].Payload) < len(sound.Payload) && bytes.HasPrefix(sound.Payload, got[0].Payload)
		},
		Reordered: func(got []Reply, sound Reply) bool {
			return len(got) == 1 && len(got[0].Payload) == len(sound.Payload) && got[0].Payload[0] == 0x41
		},
		Malformed: func(got []Reply, sound Reply) bool {
			return len(got) == 1 && len(got[0].Payload) == len(sound.Payload) && !bytes.Equal(got[0].Payload, sound.Payload)
		},
		Busy: func(got []Reply, _ Reply) bool {
			return len(got) == 1 && bytes.Equal(got[0].Payload, []byte{0x7F, 0x01, 0x21})
		},
		Pending: func(got []Reply, sound Reply) bool {
			return len(got) == 3 && bytes.Equal(got[0].Payload, []byte{0x7F, 0x01, 0x78}) && bytes.Equal(got[1].Payload, got[0].Payload) &&
				bytes.Equal(got[2].Payload, sound.Payload) && got[2].After == sound.After+2*late
		},
	} {
		f := Faults{LateBy: late, Pendings: 2}
		f.Chances[trouble] = 1
		if got, sound := visited(t, f, time.Minute); !ok(got, sound) {
			t.Errorf("trouble %d by chance: %v, sound %v", trouble, got, sound)
		}
		scripted := Faults{LateBy: late, Pendings: 2, Script: []Scripted{{Trouble: trouble, From: 30 * time.Second, For: 40 * time.Second}}}
		if got, sound := visited(t, scripted, time.Minute); !ok(got, sound) {
			t.Errorf("trouble %d by script: %v, sound %v", trouble, got, sound)
		}
		for _, outside := range []time.Duration{time.Second, 90 * time.Second} {
			if got, sound := visited(t, scripted, outside); !reflect.DeepEqual(got, []Reply{sound}) {
				t.Errorf("trouble %d outside its time: %v, sound %v", trouble, got, sound)
			}
		}
	}
}

func TestAScriptedTroubleWithoutDurationHappensOnce(t *testing.T) {
	u := fresh(Options{Faults: Faults{Script: []Scripted{{Trouble: Lost, From: 10 * time.Second}}}}).Units()[0]
	var got []bool
	for _, at := range []time.Duration{5 * time.Second, 11 * time.Second, 12 * time.Second} {
		got = append(got, ask(t, u, at, "010c", true) != "")
	}
	if !reflect.DeepEqual(got, []bool{true, false, true}) {
		t.Errorf("answers: %v", got)
	}
}

func TestChancesAreKept(t *testing.T) {
	const n, chance = 4000, 0.2
	u := fresh(Options{Faults: Faults{Chances: Chances{Lost: chance}}}).Units()[0]
	lost := 0
	for range n {
		if u.Handle(noon, []byte{1, 0x0C}, true) == nil {
			lost++
		}
	}
	if share := float64(lost) / n; share < chance-0.03 || share > chance+0.03 {
		t.Errorf("a chance of %v lost %v of the answers", chance, share)
	}
}
