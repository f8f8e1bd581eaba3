// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"fmt"
	"path/filepath"

	"github.com/spf13/pflag"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page"
	"github.com/airassay/airassay/sdk/page/wording"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/rpc"
)

const compareLong = `Tells what changed between two drives of one vehicle, before and after a repair:
whether it is restored, partly, unchanged or worse, the air meter's error over
flow before and after, what stands between the two drives, and what remains.

A change that is smaller than two drives of one vehicle differ by chance is no
change. Learned fuel trims lag behind a repair and behind erased codes; where
they have not settled they do not count, and the page says what to drive.

Without its flag, the facts about vehicle and day come from ` + vehicleBeside + ` beside
the recording, and where there is none, the vehicle's from the other drive.

The exit status is 0 for any outcome.
`

// compareFlags are the values of the command's flags.
type compareFlags struct {
	assayFlags
	before, after string
}

func compareCommand() command {
	return command{
		name:      "compare",
		arguments: "BEFORE AFTER",
		about:     "compare two drives, before and after a repair",
		long:      compareLong,
		prepare: func(flags *pflag.FlagSet) runner {
			c := compareFlags{assayFlags: assayFlags{colour: colourAuto}}
			flags.StringVar(&c.before, "vehicle-before", "", "read the facts about vehicle and day of the drive before from this `FILE` (JSON or YAML)")
			flags.StringVar(&c.after, "vehicle-after", "", "read those of the drive after from this `FILE`")
			c.declarePage(flags, "airassay.v1beta1.Comparison")
			return func(ctx context.Context, t *streams, args []string) error {
				if err := c.checkPage("compare", flags); err != nil {
					return err
				}
				if err := nameGiven(flags, "vehicle-before", "vehicle-after", "mapping"); err != nil {
					return err
				}
				if err := twoRecordings(args); err != nil {
					return err
				}
				return c.run(ctx, t, args[0], args[1])
			}
		},
	}
}

func twoRecordings(args []string) error {
	if len(args) != 2 {
		return &usageError{command: "compare", text: fmt.Sprintf("%d recordings are named; name two: the drive before and the drive after", len(args))}
	}
	for _, a := range args {
		if _, err := oneRecording("compare", []string{a}); err != nil {
			return err
		}
	}
	return nil
}

func (c *compareFlags) run(ctx context.Context, t *streams, before, after string) error {
	factsBefore, factsAfter, err := c.facts(t, before, after)
	if err != nil {
		return err
	}
	b, err := assayFile(ctx, t, before, c.mapping, assay.BeforeFacts(factsAfter, factsBefore))
	if err != nil {
		return err
	}
	a, err := assayFile(ctx, t, after, c.mapping, factsAfter)
	if err != nil {
		return err
	}
	x := rpc.ComparisonToProto(assay.Compare(b, a))
	x.Text = wording.ComparisonText(x, c.page.Language)
	out, err := c.render(x, t, before, after)
	if err != nil {
		return err
	}
	return t.result(out)
}

// facts reads both vehicle files; where one drive has none, it takes the other's vehicle.
func (c *compareFlags) facts(t *streams, before, after string) (b, a assay.Facts, err error) {
	fb, err := readVehicle(c.before, before)
	if err != nil {
		return b, a, err
	}
	fa, err := readVehicle(c.after, after)
	if err != nil {
		return b, a, err
	}
	for _, f := range []vehicleFacts{fb, fa} {
		if f.note != "" {
			t.notef("%s", f.note)
		}
	}
	b, a = rpc.FactsFromProto(fb.vehicle, fb.day), rpc.FactsFromProto(fa.vehicle, fa.day)
	switch {
	case fb.vehicle == nil:
		b = assay.VehicleOnly(a)
	case fa.vehicle == nil:
		a = assay.VehicleOnly(b)
	}
	return b, a, nil
}

func (c *compareFlags) render(x *pb.Comparison, t *streams, before, after string) ([]byte, error) {
	if c.json {
		return messageJSON(x, "the comparison")
	}
	o := c.page
	o.Width = pageWidth(o.Width, t.out)
	o.Colour = c.colour.colours(t.out)
	o.Source = filepath.Base(before) + ", " + filepath.Base(after)
	var b bytes.Buffer
	if err := page.WriteComparison(&b, x, o); err != nil {
		return nil, fmt.Errorf("laying out the comparison: %w", err)
	}
	return b.Bytes(), nil
}
