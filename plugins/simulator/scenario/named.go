// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"embed"
	"fmt"
	"slices"
	"sync"
)

// CaseSeed is the seed of the i-th case of a run (splitmix64).
func CaseSeed(seed uint64, i int) uint64 {
	z := seed*0x9e3779b97f4a7c15 + uint64(i+1)*0xbf58476d1ce4e5b9
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// names are those of the scenarios that come with the simulator, the main one first.
var names = []string{
	"van", "healthy", "leak", "clogged-filter", "weak-pump", "wrong-air-temperature", "chip-meter", "no-meter", "torn-duct", "badly-driven",
}

//go:embed named/*.json
var namedFiles embed.FS

var readNamed = sync.OnceValues(func() (map[string]File, error) {
	files := map[string]File{}
	for _, name := range names {
		data, err := namedFiles.ReadFile("named/" + name + ".json")
		if err != nil {
			return nil, err
		}
		f, err := Read(data)
		if err != nil {
			return nil, fmt.Errorf("%s.json: %w", name, err)
		}
		files[name] = f
	}
	return files, nil
})

// Names lists the scenarios that come with the simulator.
func Names() []string { return slices.Clone(names) }

// NamedFile gives the file of a scenario that comes with the simulator. It must
// not be changed: its lists are shared.
func NamedFile(name string) (File, error) {
	files, err := readNamed()
	if err != nil {
		return File{}, err
	}
	f, ok := files[name]
	if !ok {
		return File{}, fmt.Errorf("scenario %q is not known; expected one of %v", name, names)
	}
	return f, nil
}

// Named makes the case of a scenario that comes with the simulator.
func Named(name string) (Case, error) {
	f, err := NamedFile(name)
	if err != nil {
		return Case{}, err
	}
	return f.Case(), nil
}
