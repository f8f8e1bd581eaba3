// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"

	"github.com/spf13/pflag"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page"
	"github.com/airassay/airassay/sdk/page/wording"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/rpc"
)

const assayLong = `Judges one recording of a drive and shows the verdict on the air meter and the
intake air temperature sensor: the finding, why, and what to do next.

RECORDING is a file in Airassay's own format or of another program. For the
latter a mapping says which column is which signal. Without --mapping the
headers decide; where they leave something open, the command refuses with the
choices, and "` + program + ` mapping" helps to answer.

Without --vehicle the facts about vehicle and day come from ` + vehicleBeside + ` beside
the recording, where there is one. Unknown facts widen the verdict.

Each --reference names a drive on which the sensors were true: an earlier one of
this vehicle, or, with =VEHICLE, one of a vehicle with the same engine and its
facts. What is known of the engine then narrows the verdict. A reference that
does not fit is not believed, and the page says so.

A verdict that is not firm names the tests that would tell most for their time.
With --explain the page says of every explanation that does not lead how large
the fault would have to be, what it would have shown beside what was measured,
and where it fails.

The exit status is 0 for any verdict, inconclusive or not.
`

// assayFlags are the values of the command's flags.
type assayFlags struct {
	vehicle, mapping string
	references       []string
	json             bool
	page             page.Options
	colour           colourMode
}

func assayCommand() command {
	return command{
		name:      "assay",
		arguments: "RECORDING",
		about:     "judge a recording",
		long:      assayLong,
		prepare: func(flags *pflag.FlagSet) runner {
			a := assayFlags{colour: colourAuto}
			a.declare(flags)
			return func(ctx context.Context, t *streams, args []string) error {
				path, err := oneRecording("assay", args)
				if err == nil {
					err = a.check(flags)
				}
				if err != nil {
					return err
				}
				return a.run(ctx, t, path)
			}
		},
	}
}

func (a *assayFlags) declare(flags *pflag.FlagSet) {
	flags.StringVar(&a.vehicle, "vehicle", "", "read the facts about vehicle and day from this `FILE` (JSON or YAML)")
	flags.StringArrayVar(&a.references, "reference", nil, fmt.Sprintf("compare with this `RECORDING[=VEHICLE]` of the same engine and true sensors; up to %d times", assay.MaxReferences))
	a.declarePage(flags, "airassay.v1beta1.Verdict")
	flags.BoolVar(&a.page.Explain, "explain", false, "say of every other explanation what it would have shown, and where it fails")
}

// declarePage declares how recordings are read and how the result is shown.
func (a *assayFlags) declarePage(flags *pflag.FlagSet, message string) {
	flags.StringVar(&a.mapping, "mapping", "", "read the recording by this mapping `FILE`")
	flags.BoolVar(&a.json, "json", false, "print one "+message+" in JSON instead of a page")
	flags.StringVar(&a.page.Language, "language", "en", "write the text in this language, a BCP 47 `TAG`")
	flags.IntVar(&a.page.Width, "width", 0, fmt.Sprintf("lay the page out for this many `COLUMNS`, %d to %d; by default for the terminal, else for %d", page.MinWidth, page.MaxWidth, page.DefaultWidth))
	flags.Var(&a.colour, colourFlag, "colour the page: auto, always or never; auto honours "+noColour)
	flags.BoolVar(&a.page.ASCII, "ascii", false, "use ASCII characters only")
	flags.BoolVar(&a.page.Full, "full", false, "list everything instead of the most important")
}

func (a *assayFlags) check(flags *pflag.FlagSet) error {
	if err := a.checkPage("assay", flags); err != nil {
		return err
	}
	return nameGiven(flags, "vehicle", "mapping")
}

func (a *assayFlags) checkPage(command string, flags *pflag.FlagSet) error {
	if flags.Changed("width") && a.page.Width < 1 {
		return &usageError{command: command, text: fmt.Sprintf("--width is %d; expected %d to %d columns", a.page.Width, page.MinWidth, page.MaxWidth)}
	}
	return nil
}

func (a *assayFlags) run(ctx context.Context, t *streams, path string) error {
	files, err := parseReferences("assay", a.references)
	if err != nil {
		return err
	}
	facts, err := readVehicle(a.vehicle, path)
	if err != nil {
		return err
	}
	rec, err := readRecording(ctx, t, path, a.mapping)
	if err != nil {
		return err
	}
	if facts.note != "" {
		t.notef("%s", facts.note)
	}
	tested := rpc.FactsFromProto(facts.vehicle, facts.day)
	refs, err := readReferences(ctx, t, files, a.mapping, tested)
	if err != nil {
		return err
	}
	assessment, err := judge(ctx, rec, tested, refs)
	if err != nil {
		return err
	}
	v := &pb.Verdict{Assessment: assessment, Text: wording.Text(assessment, a.page.Language)}
	out, err := a.render(v, t, path)
	if err != nil {
		return err
	}
	return t.result(out)
}

func (a *assayFlags) render(v *pb.Verdict, t *streams, path string) ([]byte, error) {
	if a.json {
		return verdictJSON(v)
	}
	o := a.page
	o.Width = pageWidth(o.Width, t.out)
	o.Colour = a.colour.colours(t.out)
	o.Source = filepath.Base(path)
	var b bytes.Buffer
	if err := page.Write(&b, v, o); err != nil {
		return nil, fmt.Errorf("laying out the verdict: %w", err)
	}
	return b.Bytes(), nil
}

// verdictJSON is a verdict for --json.
func verdictJSON(v *pb.Verdict) ([]byte, error) { return messageJSON(v, "the verdict") }

// messageJSON is a message in proto3 JSON, the same bytes for the same message: the
// library varies its white space on purpose.
func messageJSON(m proto.Message, what string) ([]byte, error) {
	raw, err := protojson.MarshalOptions{EmitUnpopulated: true}.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("writing %s as JSON: %w", what, err)
	}
	var compact, out bytes.Buffer
	if err := json.Compact(&compact, raw); err != nil {
		return nil, fmt.Errorf("writing %s as JSON: %w", what, err)
	}
	if err := json.Indent(&out, compact.Bytes(), "", "  "); err != nil {
		return nil, fmt.Errorf("writing %s as JSON: %w", what, err)
	}
	out.WriteByte('\n')
	return out.Bytes(), nil
}

// contextSamples is how many samples are pushed between looks at the context,
// some ten milliseconds.
const contextSamples = 1 << 14

// judge runs a whole recording through the assay and compares it with references.
func judge(ctx context.Context, rec *recording.Recording, facts assay.Facts, refs []*assay.Reference) (*pb.Assessment, error) {
	a, err := push(ctx, rec, facts)
	if err != nil {
		return nil, err
	}
	for _, r := range refs {
		if err := a.Use(r); err != nil {
			return nil, fmt.Errorf("using a reference drive: %w", err)
		}
	}
	return rpc.AssessmentToProto(a.Assess()), nil
}

// push gives a whole recording to a new assay.
func push(ctx context.Context, rec *recording.Recording, facts assay.Facts) (*assay.Assay, error) {
	a := assay.New(facts)
	const capture = 0
	if err := a.Declare(capture, clocks[rec.Clock], definitions(rec)); err != nil {
		return nil, fmt.Errorf("declaring the recording's signals: %w", err)
	}
	for i, s := range rec.Samples {
		if i%contextSamples == 0 && ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
		a.Push(assay.Sample{Capture: capture, Signal: s.Signal, TimeUS: s.TimeUS, Value: s.Value, UncertaintyUS: asDeclared})
	}
	return a, nil
}

// asDeclared tells the assay that a sample's time is as uncertain as its
// signal's declaration says.
const asDeclared = -1

// definitions declares what a recording knows of its signals.
func definitions(rec *recording.Recording) []assay.SignalDef {
	defs := make([]assay.SignalDef, len(rec.Signals))
	for i, s := range rec.Signals {
		defs[i] = assay.SignalDef{Path: s.Path, Unit: s.Unit, TimeUncertaintyUS: s.TimeUncertaintyUS}
	}
	return defs
}

// clocks translates the words of a recording into those of the assay.
var clocks = map[recording.ClockKind]assay.Clock{
	recording.ClockUnknown:     assay.ClockUnspecified,
	recording.ClockHardware:    assay.ClockHardware,
	recording.ClockHost:        assay.ClockHost,
	recording.ClockWholeSecond: assay.ClockWholeSecond,
	recording.ClockRowOrder:    assay.ClockRowOrder,
}
