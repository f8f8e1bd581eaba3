// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package architecture

// A pattern is a path below the module's root: "sdk/host" is that package, "sdk/..." is sdk and all below it, and
// "plugins/*/..." is one folder of plugins and all below it. A "*" in what a row permits stands for the same folder.

// acquaintance says which of our own packages a package may import. The row with the longest pattern holds.
type acquaintance struct {
	who string
	may []string
	// testsMay is what the package's tests may import besides.
	testsMay []string
	why      string
}

var house = []acquaintance{
	{
		who: "api/...",
		may: []string{"api/..."},
		why: "the contracts know nothing of those who use them",
	},
	{
		who: "sdk/...",
		may: []string{"api/...", "sdk/..."},
		why: "an outsider's plugin must not drag in the service or our plugins",
	},
	{
		who: "sdk/conformance/...",
		may: []string{"api/airassay/adapter/...", "sdk/adapter/...", "sdk/host/...", "sdk/j1979/...", "sdk/internal/...", "sdk/conformance/..."},
		why: "it judges an adapter by its contract alone; what the server makes of the samples is no part of that",
	},
	{
		who: "sdk/j1979/...",
		may: []string{"sdk/j1979/..."},
		why: "a codec of a standard needs no contract, and is fuzzed without heavy imports",
	},
	{
		who: "sdk/j1939/...",
		may: []string{"sdk/j1939/...", "sdk/j1979/..."},
		why: "a codec of a standard needs no contract; it shares the names of signals and the read-only rule",
	},
	{
		who: "sdk/isotp/...",
		may: []string{"sdk/isotp/..."},
		why: "a transport is a pure machine that any bus, test or other implementation can drive",
	},
	{
		who: "sdk/canlink/...",
		may: []string{"sdk/adapter", "sdk/isotp", "sdk/j1979", "sdk/canlink/..."},
		why: "it makes a link of any bus, so it knows none; which bus it is, is the plugin's knowledge",
	},
	{
		who: "plugins/*/...",
		may: []string{"api/...", "sdk/...", "plugins/*/..."},
		why: "a first-party plugin has no more rights than an outsider's; above all the simulator's truth must not come from the judge's formulas",
	},
	{
		who:      "plugins/socketcan/...",
		may:      []string{"api/...", "sdk/...", "plugins/socketcan/..."},
		testsMay: []string{"plugins/simulator/..."},
		why:      "an adapter for real buses is tried on emulated control units, and knows nothing of them",
	},
	{
		who: "examples/*/...",
		may: []string{"api/...", "sdk/...", "examples/*/..."},
		why: "an example is written as an outsider would write it",
	},
	{
		who:      "server/assay/...",
		may:      []string{"server/assay/..."},
		testsMay: []string{"sdk/recording/..."},
		why:      "samples in, verdict out: the judgement depends on nothing but its samples, so that it can be replayed",
	},
	{
		who: "server/store/...",
		may: []string{"api/...", "server/store/...", "server/internal/..."},
		why: "a store keeps facts and chunks and judges nothing, so that another engine can replace it",
	},
	{
		who: "server/access/...",
		may: []string{"api/...", "server/access/...", "server/store/...", "server/internal/..."},
		why: "who may do what is decided without knowing how it is done",
	},
	{
		who: "server/telemetry/...",
		may: []string{"server/telemetry/...", "server/internal/..."},
		why: "all may report through it, so it knows none of them",
	},
	{
		who: "server/session/...",
		may: []string{
			"api/...", "sdk/...",
			"server/session/...", "server/assay/...", "server/store/...", "server/access/...", "server/telemetry/...", "server/internal/...",
		},
		why: "samples come in from adapters and clients alike, so a session knows neither",
	},
	{
		who: "server/upkeep/...",
		may: []string{
			"api/...", "sdk/...",
			"server/upkeep/...", "server/assay/...", "server/store/...", "server/access/...", "server/telemetry/...", "server/internal/...",
		},
		why: "the cleaning rule reads records and verdicts, and needs no running session",
	},
	{
		who: "server/report/...",
		may: []string{
			"api/...", "sdk/...",
			"server/report/...", "server/assay/...", "server/store/...", "server/telemetry/...", "server/internal/...",
		},
		why: "a report shows a verdict that exists; it starts nothing",
	},
	{
		who: "server/adapters/...",
		may: []string{
			"api/...", "sdk/...",
			"server/adapters/...", "server/session/...", "server/store/...", "server/access/...", "server/telemetry/...", "server/internal/...",
		},
		testsMay: []string{"server/rpc/..."},
		why:      "an adapter's samples go into a session like everybody's; the assay is none of its business",
	},
	{
		who: "server/rpc/...",
		may: []string{
			"api/...", "sdk/...",
			"server/rpc/...", "server/assay/...", "server/session/...", "server/adapters/...", "server/upkeep/...", "server/store/...",
			"server/report/...", "server/access/...", "server/telemetry/...", "server/internal/...",
		},
		why: "it translates calls for the domain; how the parts are put together is the wiring's knowledge",
	},
	{
		who: "server/web/...",
		may: []string{"api/...", "sdk/...", "server/web/...", "server/access/...", "server/telemetry/...", "server/internal/..."},
		why: "the second listener forwards to the same services as the first and knows none of them",
	},
	{
		who: "server/app/...",
		may: []string{"api/...", "sdk/...", "plugins/...", "server/..."},
		why: "the wiring is the one place that knows everything",
	},
	{
		who: "server/airassayd/...",
		may: []string{"api/...", "sdk/...", "plugins/...", "server/app/...", "server/airassayd/...", "server/telemetry/...", "server/internal/..."},
		why: "the program reads flags and runs the wiring; it starts itself in an adapter's role",
	},
	{
		who: "server/truth/...",
		may: []string{"api/...", "sdk/...", "plugins/simulator/...", "server/truth/...", "server/assay/...", "server/rpc/..."},
		why: "to measure how often the assay is right it must know the simulator's truth and the verdict; it knows nothing else, and the bans keep everybody from it",
	},
	{
		who:      "server/endtoend/...",
		testsMay: []string{"api/...", "sdk/recording/...", "sdk/adapter", "sdk/host/manifest"},
		why:      "it meets the program as a caller does, as a process behind its contract; knowing more, it would forgive more",
	},
	{
		who: "server/internal/...",
		may: []string{"api/...", "sdk/...", "server/internal/..."},
		why: "a helper of all parts of the server depends on none of them",
	},
}

// freight says which modules come along with a package, whole graph counted: the named ones, what those need themselves,
// and the standard library.
type freight struct {
	who, except string
	modules     []string
	why         string
}

const (
	grpcModule     = "google.golang.org/grpc"
	protobufModule = "google.golang.org/protobuf"
	pluginModule   = "github.com/hashicorp/go-plugin"
)

// Generated code of the definitions that the contracts import.
var definitions = []string{
	"google.golang.org/genproto/googleapis/api",
	"google.golang.org/genproto/googleapis/rpc",
	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go",
}

var (
	apiModules = append([]string{grpcModule, protobufModule}, definitions...)
	sdkModules = append([]string{pluginModule}, apiModules...)
)

const light = "whoever writes an adapter or reads a recording takes on as few modules as can be"

var freights = []freight{
	{who: "api/...", modules: apiModules, why: "the contracts are wire formats and nothing else"},
	{who: "sdk/j1979/...", why: "a codec of a standard needs the standard library only, and fuzzes fast because of it"},
	{who: "sdk/j1939/...", why: "the same"},
	{who: "sdk/adapter/...", modules: sdkModules, why: light},
	{who: "sdk/host/...", modules: sdkModules, why: light},
	{who: "sdk/conformance/...", modules: sdkModules, why: light},
	{who: "sdk/isotp/...", why: "a transport needs the standard library only, so that it can be compared with others anywhere"},
	{who: "sdk/canlink/...", modules: sdkModules, why: light},
	{who: "sdk/poll/...", modules: sdkModules, why: light},
	// The description of a vehicle is YAML, which only its own reader needs.
	{who: "sdk/recording/...", except: "sdk/recording/vehiclefile/...", modules: sdkModules, why: light},
	{who: "server/assay/...", why: "numbers that decide over a repair depend on no code that others change"},
}

// ban names packages, or "C", that one may not import directly. Tests are free.
type ban struct {
	who, except string
	packages    []string
	why         string
}

var bans = []ban{
	{
		who:      "server/assay/...",
		packages: []string{"os/...", "net/...", "io/fs", "io/ioutil", "embed", "database/...", "syscall", "plugin"},
		why:      "the assay does no I/O",
	},
	{
		who:      "server/assay/...",
		packages: []string{"log/...", "expvar", "testing/..."},
		why:      "a verdict explains itself; the caller logs and counts",
	},
	{
		who:      "server/assay/...",
		packages: []string{"math/rand", "crypto/rand", "runtime/...", "unsafe", "hash/maphash"},
		why:      "same samples, same bytes: nothing that differs between two runs",
	},
	{
		who: "...", except: "server/truth/...",
		packages: []string{module + "/server/truth/..."},
		why:      "the benchmark measures; whoever imported it would let the judge look at the truth",
	},
	{
		who: "...", except: "plugins/passthru/...",
		packages: []string{"C"},
		why:      "one static binary is the product; only passthru loads a vendor's library, and is a program of its own",
	},
}

// clock lists what reads or waits for a clock, or draws from a source that is seeded anew in each run. The assay may
// use durations and its own seeded sources.
var clock = map[string][]string{
	"time": {"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Local", "LoadLocation"},
	"math/rand/v2": {
		"ExpFloat64", "Float32", "Float64", "Int", "Int32", "Int32N", "Int64", "Int64N", "IntN", "N", "NormFloat64",
		"Perm", "Shuffle", "Uint", "Uint32", "Uint32N", "Uint64", "Uint64N", "UintN",
	},
}

// topLevel is all that a newcomer sees first.
var topLevel = map[string]bool{
	"api": true, "sdk": true, "plugins": true, "server": true, "examples": true,
	"README.md": true, "DEVELOPERS.md": true, "LICENSE": true, "go.mod": true, "go.sum": true, "buf.yaml": true,
	".ci": true, ".gitignore": true, ".gitattributes": true, ".golangci.yml": true,
}

// adapterImports are the definitions that the adapter contract may import: an author in any language generates code from
// it without a registry and without a validation library.
var adapterImports = []string{"google/protobuf/", "google/rpc/", "airassay/adapter/v1beta1/"}
