// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package page

import (
	"fmt"
	"io"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page/wording"
)

// WriteComparison lays c out on w in one write: the outcome first, then the numbers, then
// what stands between the two drives and what remains. The error is that of w. A nil
// comparison gives a page that says so.
func WriteComparison(w io.Writer, c *pb.Comparison, o Options) error {
	s := newSheet(o)
	s.headline(s.words.ComparisonHeadline(c))
	s.source()
	if c != nil {
		s.comparison(c)
	}
	if _, err := io.WriteString(w, s.String()); err != nil {
		return fmt.Errorf("writing the page: %w", err)
	}
	return nil
}

func (s *sheet) comparison(c *pb.Comparison) {
	s.blank()
	s.findingsOf(s.labels.Before, c.GetFindingsBefore())
	s.findingsOf(s.labels.After, c.GetFindingsAfter())
	for _, text := range []string{s.words.Deviations(c), s.words.Repeatability(c)} {
		if text != "" {
			s.para(2, 4, wording.Sentence(text))
		}
	}
	s.meterChanges(c.GetMeterChanges())
	if remaining := wording.Remaining(c); len(remaining) > 0 {
		s.heading(s.labels.Remains)
		for _, p := range remaining {
			s.bar(s.words.Condition(p.GetCondition()), p.GetProbability(), s.words.Probability(p.GetProbability()))
		}
	}
	if len(c.GetObstacles()) > 0 {
		s.heading(s.labels.Obstacles)
		list(s, c.GetObstacles(), maxEntries, func(_ int, o *pb.ComparisonObstacle) {
			s.bullet(wording.Sentence(s.words.ComparisonConcern(o.GetConcern())))
		})
	}
	s.gaps(&pb.Assessment{Gaps: c.GetGaps()})
	s.footer(&pb.Verdict{Assessment: &pb.Assessment{EngineVersion: c.GetEngineVersion()}})
}

func (s *sheet) findingsOf(when string, findings []*pb.SensorFinding) {
	list(s, findings, maxEntries, func(_ int, f *pb.SensorFinding) {
		s.dotted(2, when+": "+s.words.FindingLine(f), s.findingProbability(f))
	})
}

// meterChanges is the table of the meter's error over flow before and after.
func (s *sheet) meterChanges(changes []*pb.MeterChange) {
	if len(changes) == 0 {
		return
	}
	s.heading(s.words.MeterErrorTitle(0))
	shown := changes
	if !s.o.Full {
		shown = spread(changes, maxEntries)
	}
	interval := func(p *pb.PercentInterval) string {
		return s.words.Range(p.GetLowPercent(), p.GetHighPercent(), "%")
	}
	rows := [][]string{{s.labels.Flow, s.labels.Before, "", s.labels.After, "", s.labels.Change, s.labels.Interval}}
	for _, m := range shown {
		rows = append(rows, []string{
			s.words.Quantity(m.GetFlowGPerS(), "g/s"),
			s.words.Deviation(m.GetBefore().GetValuePercent(), "%"), interval(m.GetBefore()),
			s.words.Deviation(m.GetAfter().GetValuePercent(), "%"), interval(m.GetAfter()),
			s.words.Deviation(m.GetChange().GetValuePercent(), "%"), interval(m.GetChange()),
		})
	}
	if s.fits(rows) {
		s.columns(2, rows)
	} else {
		for _, r := range rows[1:] {
			s.para(2, 4, r[0]+": "+s.labels.Before+" "+r[1]+", "+s.labels.After+" "+r[3]+", "+s.labels.Change+" "+r[5]+" ("+s.labels.Interval+" "+r[6]+")")
		}
	}
	if len(shown) < len(changes) {
		s.para(2, 2, s.words.FlowsListed(len(shown), len(changes)))
	}
}

// fits tells whether rows stand side by side in the page's width.
func (s *sheet) fits(rows [][]string) bool {
	const indent, gap = 2, 3
	widths := make([]int, len(rows[0]))
	for _, row := range rows {
		for i, cell := range row {
			widths[i] = max(widths[i], cells.StringWidth(s.fold(cell)))
		}
	}
	sum := indent
	for _, w := range widths {
		sum += w + gap
	}
	return sum-gap <= s.width
}
