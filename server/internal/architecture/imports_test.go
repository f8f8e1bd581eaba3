// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package architecture

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

const module = "github.com/airassay/airassay"

// edge is one import: from a folder below the module's root, to an import path.
type edge struct {
	from, to string
	test     bool
	file     string
}

// own cuts the module's path, or says that the package is another's.
func own(importPath string) (string, bool) {
	if importPath == module {
		return ".", true
	}
	return strings.CutPrefix(importPath, module+"/")
}

// match reports whether the pattern covers the path, and the folder that its "*" stands for.
func match(pattern, path string) (folder string, ok bool) {
	if pattern == "..." {
		return "", true
	}
	prefix, deep := strings.CutSuffix(pattern, "/...")
	want, got := strings.Split(prefix, "/"), strings.Split(path, "/")
	if len(got) < len(want) || !deep && len(got) != len(want) {
		return "", false
	}
	for i, w := range want {
		switch w {
		case got[i]:
		case "*":
			folder = got[i]
		default:
			return "", false
		}
	}
	return folder, true
}

func covers(pattern, path string) bool {
	_, ok := match(pattern, path)
	return ok
}

// rowFor finds the row that holds for a package, with "*" replaced by its folder in what the row permits.
func rowFor(rows []acquaintance, path string) (acquaintance, bool) {
	var best acquaintance
	found := false
	for _, row := range rows {
		folder, ok := match(row.who, path)
		if !ok || len(row.who) <= len(best.who) {
			continue
		}
		best, found = row, true
		best.may = slices.Clone(row.may)
		for i, p := range best.may {
			best.may[i] = strings.ReplaceAll(p, "*", folder)
		}
	}
	return best, found
}

func coveredByAny(patterns []string, path string) bool {
	return slices.ContainsFunc(patterns, func(p string) bool { return covers(p, path) })
}

// strangers reports each import between our own packages that the house does not permit.
func strangers(rows []acquaintance, edges []edge) []string {
	var found []string
	for _, e := range edges {
		row, ok := rowFor(rows, e.from)
		if !ok {
			found = append(found, e.from+": no row of the house covers this package; give it one, with its reason")
			continue
		}
		to, ours := own(e.to)
		if !ours || coveredByAny(row.may, to) || e.test && coveredByAny(row.testsMay, to) {
			continue
		}
		found = append(found, fmt.Sprintf("%s: %s must not import %s: %s", e.file, e.from, to, row.why))
	}
	return dedup(found)
}

// banned reports each direct import of a banned package.
func banned(rows []ban, edges []edge) []string {
	var found []string
	for _, e := range edges {
		for _, row := range rows {
			if e.test || !covers(row.who, e.from) || row.except != "" && covers(row.except, e.from) || !coveredByAny(row.packages, e.to) {
				continue
			}
			found = append(found, fmt.Sprintf("%s: %s must not import %s: %s", e.file, e.from, e.to, row.why))
		}
	}
	return dedup(found)
}

// node is one package of the build's graph, keyed by import path. The standard library has no module.
type node struct {
	module  string
	imports []string
}

// reach collects a package and all that it needs.
func reach(graph map[string]node, from string, seen map[string]bool) map[string]bool {
	if !seen[from] {
		seen[from] = true
		for _, to := range graph[from].imports {
			reach(graph, to, seen)
		}
	}
	return seen
}

// overloaded reports each package that drags in a module which its row does not permit.
func overloaded(rows []freight, graph map[string]node) []string {
	var found []string
	for importPath := range graph {
		path, ours := own(importPath)
		if !ours {
			continue
		}
		for _, row := range rows {
			if covers(row.who, path) && (row.except == "" || !covers(row.except, path)) {
				found = append(found, overload(row, graph, importPath)...)
			}
		}
	}
	return dedup(found)
}

func overload(row freight, graph map[string]node, importPath string) []string {
	path, _ := own(importPath)
	closure := reach(graph, importPath, map[string]bool{})
	permitted := map[string]bool{}
	for p := range closure {
		if slices.Contains(row.modules, graph[p].module) {
			reach(graph, p, permitted)
		}
	}
	var found []string
	for p := range closure {
		if m := graph[p].module; m != "" && m != module && !permitted[p] {
			found = append(found, fmt.Sprintf("%s must not depend on %s: %s", path, p, row.why))
		}
	}
	return found
}

func dedup(lines []string) []string {
	slices.Sort(lines)
	return slices.Compact(lines)
}

// buildGraph asks the go command for every package of the module and all that they need. Code that does not compile yet
// is left to the compiler.
func buildGraph(t *testing.T) map[string]node {
	t.Helper()
	var stderr bytes.Buffer
	cmd := exec.CommandContext(t.Context(), "go", "list", "-e", "-deps", "-json=ImportPath,Module,Imports", "./...")
	cmd.Dir = root
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, stderr.Bytes())
	}
	graph := map[string]node{}
	for d := json.NewDecoder(bytes.NewReader(out)); ; {
		var p struct {
			ImportPath string   `json:"ImportPath"`
			Imports    []string `json:"Imports"`
			Module     *struct {
				Path string `json:"Path"`
			} `json:"Module"`
		}
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return graph
		} else if err != nil {
			t.Fatalf("go list: %v", err)
		}
		n := node{imports: p.Imports}
		if p.Module != nil {
			n.module = p.Module.Path
		}
		graph[p.ImportPath] = n
	}
}

func report(t *testing.T, violations []string) {
	t.Helper()
	for _, v := range violations {
		t.Error(v)
	}
}

func TestImportsPointOneWay(t *testing.T) {
	edges := edgesOf(t, goFiles(t))
	if len(edges) == 0 {
		t.Fatal("found no import at all")
	}
	report(t, strangers(house, edges))
}

func TestNothingBannedIsImported(t *testing.T) {
	report(t, banned(bans, edgesOf(t, goFiles(t))))
}

func TestOutsidersTakeOnFewModules(t *testing.T) {
	graph := buildGraph(t)
	if graph[module+"/api/airassay/v1beta1"].module != module {
		t.Fatal("the graph lacks the contracts")
	}
	report(t, overloaded(freights, graph))
}

// Every row must give a reason, and must catch a mutant: an import that it exists to forbid.
func TestEveryRowCatchesItsMutant(t *testing.T) {
	concrete := func(pattern string) string {
		return strings.ReplaceAll(strings.TrimSuffix(pattern, "/..."), "*", "one")
	}
	for _, row := range house {
		if row.why == "" {
			t.Errorf("house: %s has no reason", row.who)
		}
		from := concrete(row.who)
		targets := []string{"plugins/another", "examples/another", "server/unheardof"}
		for _, other := range house {
			targets = append(targets, concrete(other.who), concrete(other.who)+"/deep")
		}
		caught := 0
		bound, _ := rowFor(house, from)
		for _, to := range targets {
			want := !coveredByAny(bound.may, to)
			got := strangers(house, []edge{{from: from, to: module + "/" + to, file: "mutant.go"}})
			if want != (len(got) == 1) {
				t.Errorf("%s importing %s: got %q, want a violation: %t", from, to, got, want)
			}
			caught += len(got)
		}
		if caught == 0 {
			t.Errorf("house: %s forbids nothing", row.who)
		}
	}
	for _, row := range bans {
		who := concrete(row.who)
		if row.who == "..." {
			who = "sdk/host"
		}
		for _, p := range row.packages {
			got := banned(bans, []edge{{from: who, to: concrete(p), file: "mutant.go"}})
			if len(got) == 0 || row.why == "" {
				t.Errorf("bans: %s importing %s: no violation, or no reason %q", who, p, row.why)
			}
		}
	}
	for _, row := range freights {
		who := module + "/" + concrete(row.who)
		graph := map[string]node{
			who:                      {module: module, imports: []string{"example.com/heavy/part"}},
			"example.com/heavy/part": {module: "example.com/heavy"},
		}
		if got := overloaded([]freight{row}, graph); len(got) != 1 || row.why == "" {
			t.Errorf("freights: %s with a heavy module: %q", row.who, got)
		}
	}
}

// The rows as they are drawn, each written out once as the mutant that a tired author would make.
func TestHouseOfTheDesign(t *testing.T) {
	for _, tc := range []struct {
		from, to string
		test     bool
		allowed  bool
	}{
		{from: "api/airassay/v1beta1", to: "sdk/host"},
		{from: "sdk/host", to: "api/airassay/adapter/v1beta1", allowed: true},
		{from: "sdk/host", to: "server/session"},
		{from: "sdk/host", to: "server/session", test: true},
		{from: "sdk/j1979", to: "api/airassay/v1beta1"},
		{from: "plugins/simulator", to: "sdk/adapter", allowed: true},
		{from: "plugins/simulator/engine", to: "plugins/simulator/air", allowed: true},
		{from: "plugins/simulator", to: "plugins/replay"},
		{from: "plugins/simulator", to: "server/assay"},
		{from: "plugins/simulator", to: "server/assay", test: true},
		{from: "server/assay", to: "plugins/simulator"},
		{from: "server/assay", to: "plugins/simulator", test: true},
		{from: "server/assay/evidence", to: "server/assay/manoeuvre", allowed: true},
		{from: "server/assay", to: "api/airassay/v1beta1"},
		{from: "server/assay", to: "sdk/j1979"},
		{from: "server/assay", to: "sdk/recording", test: true, allowed: true},
		{from: "server/assay", to: "server/store"},
		{from: "server/store/sqlite", to: "server/store", allowed: true},
		{from: "server/store", to: "server/session"},
		{from: "server/session", to: "server/store", allowed: true},
		{from: "server/session", to: "server/rpc"},
		{from: "server/adapters", to: "server/session", allowed: true},
		{from: "server/session", to: "server/adapters"},
		{from: "server/adapters", to: "plugins/serial"},
		{from: "server/app", to: "plugins/serial", allowed: true},
		{from: "server/airassayd", to: "plugins/serial", allowed: true},
		{from: "server/airassayd", to: "server/session"},
		{from: "server/rpc", to: "server/app"},
		{from: "server/truth", to: "plugins/simulator/scenario", allowed: true},
		{from: "server/truth/score", to: "server/assay", allowed: true},
		{from: "server/truth", to: "plugins/replay"},
		{from: "server/truth", to: "server/app"},
		{from: "server/assay", to: "server/truth", test: true},
		{from: "examples/bench", to: "sdk/page", allowed: true},
		{from: "examples/bench", to: "server/app"},
		{from: "examples/bench", to: "plugins/simulator"},
		{from: "server/newfolder", to: "api/airassay/v1beta1"},
		{from: "cmd/tool", to: "api/airassay/v1beta1"},
	} {
		got := strangers(house, []edge{{from: tc.from, to: module + "/" + tc.to, test: tc.test, file: "mutant.go"}})
		if (len(got) == 0) != tc.allowed {
			t.Errorf("%s importing %s (test %t): got %q, want allowed: %t", tc.from, tc.to, tc.test, got, tc.allowed)
		}
	}
}

func TestFreightCountsTheWholeGraph(t *testing.T) {
	const hclog, yaml = "github.com/hashicorp/go-hclog", "go.yaml.in/yaml/v3"
	graph := func(extra ...string) map[string]node {
		return map[string]node{
			module + "/sdk/host":                  {module: module, imports: append([]string{"os", pluginModule, module + "/sdk/deep"}, extra...)},
			module + "/sdk/deep":                  {module: module},
			module + "/sdk/recording/vehiclefile": {module: module, imports: []string{yaml}},
			module + "/sdk/recording":             {module: module},
			pluginModule:                          {module: pluginModule, imports: []string{hclog}},
			hclog:                                 {module: hclog},
			yaml:                                  {module: yaml},
			"os":                                  {},
		}
	}
	viaOwn := graph()
	viaOwn[module+"/sdk/deep"] = node{module: module, imports: []string{yaml}}
	for _, tc := range []struct {
		name  string
		graph map[string]node
		want  string
	}{
		{name: "what a permitted module needs itself comes along", graph: graph()},
		{name: "that may be imported directly", graph: graph(hclog)},
		{name: "a direct import of another module", graph: graph(yaml), want: "sdk/host must not depend on " + yaml},
		{name: "a module reached through our own package", graph: viaOwn, want: "sdk/host must not depend on " + yaml},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := overloaded(freights, tc.graph)
			if tc.want == "" && len(got) > 0 || tc.want != "" && (len(got) != 1 || !strings.HasPrefix(got[0], tc.want)) {
				t.Errorf("got %q, want %q", got, tc.want)
			}
		})
	}
}

func TestMatch(t *testing.T) {
	for _, tc := range []struct {
		pattern, path, folder string
		ok                    bool
	}{
		{"sdk/host", "sdk/host", "", true},
		{"sdk/host", "sdk/host/deep", "", false},
		{"sdk/host", "sdk/hostess", "", false},
		{"sdk/...", "sdk", "", true},
		{"sdk/...", "sdk/host/deep", "", true},
		{"sdk/...", "sdkx", "", false},
		{"plugins/*/...", "plugins", "", false},
		{"plugins/*/...", "plugins/serial/line", "serial", true},
		{"...", "anything", "", true},
	} {
		if folder, ok := match(tc.pattern, tc.path); ok != tc.ok || folder != tc.folder {
			t.Errorf("match(%q, %q) = %q, %t, want %q, %t", tc.pattern, tc.path, folder, ok, tc.folder, tc.ok)
		}
	}
}
