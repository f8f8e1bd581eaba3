// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package architecture

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// root is the module's root, seen from this folder, where the go command runs the tests.
var root = filepath.Join("..", "..", "..")

// file is one file of the repository.
type file struct {
	name string // below the root, with slashes
	data []byte
}

var listing = sync.OnceValues(func() ([]file, error) {
	cmd := exec.Command("git", "ls-files", "--cached", "--others", "--exclude-standard", "-z")
	cmd.Dir = root
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("git ls-files: %w", err)
	}
	var files []file
	for name := range strings.SplitSeq(strings.TrimRight(string(out), "\x00"), "\x00") {
		data, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(name)))
		if os.IsNotExist(err) {
			continue // deleted, and not committed yet
		}
		if err != nil {
			return nil, err
		}
		files = append(files, file{name, data})
	}
	return files, nil
})

// repository lists the files that git tracks or would track.
func repository(t *testing.T) []file {
	t.Helper()
	if _, err := exec.LookPath("git"); err != nil {
		t.Skip("needs git, to know which files are the repository's")
	}
	files, err := listing()
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// goFile is a parsed Go file that the go command would see.
type goFile struct {
	file
	*ast.File
	fset *token.FileSet
}

func (f goFile) dir() string { return path.Dir(f.name) }
func (f goFile) test() bool  { return strings.HasSuffix(f.name, "_test.go") }
func (f goFile) at(n ast.Node) string {
	return fmt.Sprintf("%s:%d", f.name, f.fset.Position(n.Pos()).Line)
}

// ignored folders are no packages for the go command.
func ignored(name string) bool {
	return slices.ContainsFunc(strings.Split(path.Dir(name), "/"), func(s string) bool {
		return s == "testdata" || len(s) > 1 && (s[0] == '.' || s[0] == '_')
	})
}

// parse reads Go files, whatever system they are built for. A file that is no Go yet is left to the compiler.
func parse(files []file) []goFile {
	var parsed []goFile
	for _, f := range files {
		if path.Ext(f.name) != ".go" || ignored(f.name) {
			continue
		}
		fset := token.NewFileSet()
		if tree, err := parser.ParseFile(fset, f.name, f.data, parser.ParseComments); err == nil {
			parsed = append(parsed, goFile{f, tree, fset})
		}
	}
	return parsed
}

func goFiles(t *testing.T) []goFile {
	t.Helper()
	return parse(repository(t))
}

func edgesOf(t *testing.T, files []goFile) []edge {
	t.Helper()
	var edges []edge
	for _, f := range files {
		for _, spec := range f.Imports {
			to, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				t.Fatalf("%s: %v", f.at(spec), err)
			}
			edges = append(edges, edge{from: f.dir(), to: to, test: f.test(), file: f.at(spec)})
		}
	}
	return edges
}

// localName finds the name under which a file knows an import, or "".
func localName(f *ast.File, importPath string) string {
	for _, spec := range f.Imports {
		if spec.Path.Value != strconv.Quote(importPath) {
			continue
		}
		if spec.Name != nil {
			return spec.Name.Name
		}
		name := path.Base(importPath)
		if name == "v2" {
			name = path.Base(path.Dir(importPath))
		}
		return name
	}
	return ""
}

// clockReaders reports where the assay reads a clock or draws from an unseeded source.
func clockReaders(files []goFile) []string {
	var found []string
	for _, f := range files {
		if f.test() || !covers("server/assay/...", f.dir()) {
			continue
		}
		for importPath, names := range clock {
			local := localName(f.File, importPath)
			if local == "." {
				found = append(found, fmt.Sprintf("%s: imports %s with a dot, which hides a clock", f.name, importPath))
			}
			ast.Inspect(f.File, func(n ast.Node) bool {
				sel, ok := n.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				if x, ok := sel.X.(*ast.Ident); ok && x.Name == local && slices.Contains(names, sel.Sel.Name) {
					found = append(found, fmt.Sprintf("%s: %s.%s: two runs over the same samples would differ", f.at(n), importPath, sel.Sel.Name))
				}
				return true
			})
		}
	}
	return dedup(found)
}

// silentSkips reports tests that skip without a reason. A reason that begins with "needs " names what a fresh machine
// lacks; CI installs it and fails when such a test is skipped all the same.
func silentSkips(files []goFile) []string {
	var found []string
	for _, f := range files {
		if !f.test() {
			continue
		}
		ast.Inspect(f.File, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			sel, ok := call.Fun.(*ast.SelectorExpr)
			if !ok || !strings.HasPrefix(sel.Sel.Name, "Skip") {
				return true
			}
			if x, ok := sel.X.(*ast.Ident); ok && slices.Contains([]string{"t", "b", "f", "tb"}, x.Name) && !saysWhy(call) {
				found = append(found, f.at(n)+": skips without a reason")
			}
			return true
		})
	}
	return found
}

func saysWhy(call *ast.CallExpr) bool {
	if len(call.Args) == 0 {
		return false
	}
	literal, ok := call.Args[0].(*ast.BasicLit)
	return !ok || len(strings.TrimSpace(literal.Value)) > len(`""`)
}

// undocumented reports packages of which no file says what they are for. Test-only packages and generated ones are free.
func undocumented(files []goFile) []string {
	documented := map[string]bool{}
	for _, f := range files {
		if f.test() || ast.IsGenerated(f.File) {
			continue
		}
		says := f.Doc != nil && !strings.Contains(f.Doc.Text(), "SPDX-License-Identifier") && len(strings.Fields(f.Doc.Text())) > 2
		documented[f.dir()] = documented[f.dir()] || says
	}
	var found []string
	for dir, ok := range documented {
		if !ok {
			found = append(found, dir+": no file has a comment before its package clause that says what the package is for")
		}
	}
	return dedup(found)
}

// leakDetectors find goroutines that outlive their test.
var leakDetectors = []string{"go.uber.org/goleak", "testing/synctest"}

// unwatched reports packages that start goroutines while no file of theirs brings a leak detector.
func unwatched(files []goFile) []string {
	starts, watched := map[string]string{}, map[string]bool{}
	for _, f := range files {
		for _, importPath := range leakDetectors {
			watched[f.dir()] = watched[f.dir()] || localName(f.File, importPath) != ""
		}
		if f.test() {
			continue
		}
		ast.Inspect(f.File, func(n ast.Node) bool {
			if _, ok := n.(*ast.GoStmt); ok {
				starts[f.dir()] = f.at(n)
			}
			return true
		})
	}
	var found []string
	for dir, at := range starts {
		if !watched[dir] {
			found = append(found, fmt.Sprintf("%s: starts a goroutine, but no test of %s looks for leaks with one of %s", at, dir, strings.Join(leakDetectors, ", ")))
		}
	}
	return dedup(found)
}

const (
	holder  = "Copyright 2026 The Airassay Authors"
	licence = "SPDX-License-Identifier: Apache-2.0"
)

// headerComment gives the comment mark of the kinds of file that carry the licence header, or "".
func headerComment(f file) string {
	switch path.Ext(f.name) {
	case ".go", ".proto", ".js", ".mjs", ".ts", ".rs", ".c", ".h":
		return "// "
	case ".py", ".sh":
		return "# "
	}
	if bytes.HasPrefix(f.data, []byte("#!")) {
		return "# "
	}
	return ""
}

// unlicensed reports source files that lack the header. Vendored definitions carry their own.
func unlicensed(files []file) []string {
	var found []string
	for _, f := range files {
		mark := headerComment(f)
		if mark == "" || strings.Contains(f.name, "/testdata/") {
			continue
		}
		if strings.HasPrefix(f.name, "api/third_party/") {
			if !bytes.Contains(f.data, []byte("Copyright")) || !bytes.Contains(f.data, []byte("Apache License")) {
				found = append(found, f.name+": lacks its own copyright and licence")
			}
			continue
		}
		rest := f.data
		if bytes.HasPrefix(rest, []byte("#!")) {
			_, rest, _ = bytes.Cut(rest, []byte("\n"))
		}
		if header := mark + holder + "\n" + mark + licence + "\n"; !bytes.HasPrefix(rest, []byte(header)) {
			found = append(found, fmt.Sprintf("%s: must begin with\n%s", f.name, header))
		}
	}
	return found
}

// A path of one machine means nothing on another. The folder names stand apart from the slash so that this file passes.
var machinePath = regexp.MustCompile(`(?m)(?:^|[^\w./~-])/(?:` + strings.Join([]string{"work", "root", "home", "Users"}, "|") + `)/\w\S*`)

// homesick reports paths of somebody's machine, and lock files that pin a download address.
func homesick(files []file) []string {
	var found []string
	for _, f := range files {
		if bytes.IndexByte(f.data, 0) >= 0 {
			continue // no text
		}
		for _, at := range machinePath.FindAllIndex(f.data, -1) {
			line := 1 + bytes.Count(f.data[:at[0]+1], []byte("\n"))
			found = append(found, fmt.Sprintf("%s:%d: a path of one machine: %s", f.name, line, bytes.TrimSpace(f.data[at[0]:at[1]])))
		}
		if path.Base(f.name) == "package-lock.json" && bytes.Contains(f.data, []byte(`"resolved": "http`)) {
			found = append(found, f.name+": pins a download address; npm config set omit-lockfile-registry-resolved true")
		}
	}
	return found
}

// misplaced reports what does not belong at the top level.
func misplaced(files []file) []string {
	var found []string
	for _, f := range files {
		if top, _, _ := strings.Cut(f.name, "/"); !topLevel[top] {
			found = append(found, top+": does not belong at the top level")
		}
	}
	return dedup(found)
}

var protoImport = regexp.MustCompile(`(?m)^import (?:public |weak )?"([^"]+)";`)

// heavyContracts reports definitions that the adapter contract must not import.
func heavyContracts(files []file) []string {
	var found []string
	for _, f := range files {
		if !strings.HasPrefix(f.name, "api/airassay/adapter/") || path.Ext(f.name) != ".proto" {
			continue
		}
		for _, m := range protoImport.FindAllSubmatch(f.data, -1) {
			name := string(m[1])
			if !slices.ContainsFunc(adapterImports, func(p string) bool { return strings.HasPrefix(name, p) }) {
				found = append(found, fmt.Sprintf("%s: imports %s; an author in any language must need no more than %s", f.name, name, strings.Join(adapterImports, ", ")))
			}
		}
	}
	return found
}

func TestAssayReadsNoClock(t *testing.T)            { report(t, clockReaders(goFiles(t))) }
func TestSkippedTestsSayWhy(t *testing.T)           { report(t, silentSkips(goFiles(t))) }
func TestGoroutinesAreWatched(t *testing.T)         { report(t, unwatched(goFiles(t))) }
func TestPackagesSayWhatTheyAreFor(t *testing.T)    { report(t, undocumented(goFiles(t))) }
func TestSourceCarriesTheLicence(t *testing.T)      { report(t, unlicensed(repository(t))) }
func TestNoPathOfOneMachine(t *testing.T)           { report(t, homesick(repository(t))) }
func TestTopLevelStaysAsDrawn(t *testing.T)         { report(t, misplaced(repository(t))) }
func TestAdapterContractImportsLittle(t *testing.T) { report(t, heavyContracts(repository(t))) }

// Each check must report its mutant and let the sound file pass.
func TestChecksCatchTheirMutants(t *testing.T) {
	const header = "// " + holder + "\n// " + licence + "\n\n"
	inGo := func(check func([]goFile) []string) func([]file) []string {
		return func(files []file) []string { return check(parse(files)) }
	}
	machine := "/" + "work/main"
	for _, tc := range []struct {
		name, file, data string
		check            func([]file) []string
		want             int
	}{
		{"a clock", "server/assay/a.go", "package a\nimport \"time\"\nvar x = time.Now()", inGo(clockReaders), 1},
		{"a renamed clock", "server/assay/a.go", "package a\nimport c \"time\"\nvar x = c.Now", inGo(clockReaders), 1},
		{"a hidden clock", "server/assay/a.go", "package a\nimport . \"time\"\nvar x = Now()", inGo(clockReaders), 1},
		{"unseeded randomness", "server/assay/a.go", "package a\nimport \"math/rand/v2\"\nvar x = rand.IntN(3)", inGo(clockReaders), 1},
		{"seeded randomness", "server/assay/a.go", "package a\nimport \"math/rand/v2\"\nvar x = rand.New(rand.NewPCG(1, 2)).IntN(3)", inGo(clockReaders), 0},
		{"a duration", "server/assay/a.go", "package a\nimport \"time\"\nvar x = time.Second", inGo(clockReaders), 0},
		{"a clock in a test", "server/assay/a_test.go", "package a\nimport \"time\"\nvar x = time.Now()", inGo(clockReaders), 0},
		{"a clock elsewhere", "server/app/a.go", "package a\nimport \"time\"\nvar x = time.Now()", inGo(clockReaders), 0},

		{"SkipNow", "sdk/a_test.go", "package a\nfunc f() { t.SkipNow() }", inGo(silentSkips), 1},
		{"Skip of nothing", "sdk/a_test.go", "package a\nfunc f() { b.Skip() }", inGo(silentSkips), 1},
		{"Skip of an empty reason", "sdk/a_test.go", `package a; func f() { f.Skip("") }`, inGo(silentSkips), 1},
		{"Skip with a reason", "sdk/a_test.go", `package a; func f() { t.Skipf("needs %s", "git") }`, inGo(silentSkips), 0},

		{"a goroutine nobody watches", "sdk/a.go", "package a\nfunc f() { go f() }", inGo(unwatched), 1},
		{"a goroutine under watch", "sdk/a.go", "package a\nimport \"go.uber.org/goleak\"\nfunc f() { go f() }", inGo(unwatched), 0},
		{"a goroutine of a test", "sdk/a_test.go", "package a\nfunc f() { go f() }", inGo(unwatched), 0},

		{"no package comment", "sdk/a.go", header + "package a", inGo(undocumented), 1},
		{"only a licence", "sdk/a.go", strings.TrimSpace(header) + "\npackage a", inGo(undocumented), 1},
		{"a package comment", "sdk/a.go", header + "// Package a does this for that.\npackage a", inGo(undocumented), 0},
		{"a generated package", "sdk/a.go", "// Code generated by x. DO NOT EDIT.\npackage a", inGo(undocumented), 0},
		{"a package of the test data", "sdk/testdata/a.go", "package a", inGo(undocumented), 0},

		{"no licence", "sdk/a.go", "package a", unlicensed, 1},
		{"a licence too late", "sdk/a.go", "\n" + header, unlicensed, 1},
		{"a licence", "sdk/a.go", header + "package a", unlicensed, 0},
		{"a script without a licence", ".ci/x", "#!/bin/sh\nls\n", unlicensed, 1},
		{"a script", ".ci/x", "#!/bin/sh\n# " + holder + "\n# " + licence + "\n", unlicensed, 0},
		{"vendored without a licence", "api/third_party/a.proto", header, unlicensed, 1},
		{"prose", "README.md", "Hello", unlicensed, 0},

		{"a path of one machine", "README.md", "see " + machine + "/x", homesick, 1},
		{"the same in quotes", "sdk/a.go", "x := \"" + machine + "/x\"", homesick, 1},
		{"the same on a line of its own", "README.md", "\n" + machine, homesick, 1},
		{"an address", "README.md", "https://example.com" + machine, homesick, 0},
		{"a relative path", "README.md", "../" + machine[1:], homesick, 0},
		{"a picture", "examples/a.png", "\x00 " + machine, homesick, 0},
		{"a lock file with addresses", "examples/package-lock.json", `{"resolved": "https://example.com/x.tgz"}`, homesick, 1},

		{"a new folder", "tools/a.go", "", misplaced, 1},
		{"a new file", "Makefile", "", misplaced, 1},
		{"a dot-folder of some editor", ".editor/x", "", misplaced, 1},
		{"a drawn folder", "sdk/a.go", "", misplaced, 0},

		{"a validation import", "api/airassay/adapter/v1beta1/a.proto", "import \"buf/validate/validate.proto\";\n", heavyContracts, 1},
		{"the other contract", "api/airassay/adapter/v1beta1/a.proto", "import \"airassay/v1beta1/a.proto\";\n", heavyContracts, 1},
		{"a well-known type", "api/airassay/adapter/v1beta1/a.proto", "import \"google/protobuf/duration.proto\";\n", heavyContracts, 0},
		{"validation where it belongs", "api/airassay/v1beta1/a.proto", "import \"buf/validate/validate.proto\";\n", heavyContracts, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := tc.check([]file{{tc.file, []byte(tc.data)}}); len(got) != tc.want {
				t.Errorf("got %q, want %d violations", got, tc.want)
			}
		})
	}
}
