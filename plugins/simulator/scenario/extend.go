// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"fmt"
	"slices"

	"github.com/airassay/airassay/plugins/simulator/road"
)

// Extensions are the manoeuvres that a drawn drive can be made longer by, by the names that scripts in files use.
var Extensions = []string{"key_on", "idle", "raised_idle", "cruise", "high_load", "pull"}

// Extend adds one manoeuvre, driven well, to a drive that was drawn: what a driver does who is asked for it at the
// end of the drive. A reading at rest is taken before the start. Everything before it is driven as it was.
func (c *Case) Extend(manoeuvre string) error {
	var more []road.Segment
	switch manoeuvre {
	case "key_on":
		if c.Plan.script[0].Kind != road.KeyOn {
			c.Plan.script = append([]road.Segment{{Kind: road.KeyOn, Seconds: 10}}, c.Plan.script...)
		}
		return nil
	case "idle":
		more = []road.Segment{{Kind: road.Stop}, {Kind: road.Idle, Seconds: 60}}
	case "raised_idle":
		more = []road.Segment{{Kind: road.Stop}, {Kind: road.RaisedIdle, RPM: 2500, Seconds: 25}}
	case "cruise":
		for _, v := range []float64{52, 76, 100} {
			more = append(more, road.Segment{Kind: road.Cruise, Speed: kmh(v), Seconds: 20})
		}
	case "high_load":
		gear := min(3, len(c.Body.Gears)-1)
		more = []road.Segment{{Kind: road.HighLoad, Gear: gear, Speed: c.Body.SpeedAt(gear, 0.45*c.Spec.RatedRPM), Fill: 0.82, Seconds: 10}}
	case "pull":
		pull := road.Segment{Kind: road.Pull, Gear: pullGear(&c.Spec, &c.Body), RPM: 1800, Until: 0.96 * c.Spec.RatedRPM, Pedal: 1}
		between := road.Segment{Kind: road.Cruise, Speed: kmh(60), Seconds: 10}
		more = []road.Segment{pull, between, pull, between}
	default:
		return fmt.Errorf("a drive cannot be extended by %q; expected one of %v", manoeuvre, Extensions)
	}
	c.Plan.script = append(slices.Clip(c.Plan.script), more...)
	return nil
}
