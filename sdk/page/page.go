// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package page lays a verdict out for a technician at a terminal: the finding
// first, then why, then what to do next with its cautions, then everything that
// qualifies it. It decides where things stand; what they say comes from
// [github.com/airassay/airassay/sdk/page/wording].
//
// The same verdict and options give the same bytes. A verdict comes from
// elsewhere, so any field may be missing, absurd or hostile: nothing in it can
// make the page panic, break a line or send a control sequence to the terminal.
package page

import (
	"fmt"
	"io"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page/wording"
)

// Bounds of the page's width, in columns.
const (
	DefaultWidth = 80
	MinWidth     = 40
	MaxWidth     = 120 // longer lines are hard to read
)

// Lengths of lists on a page that is not full: about what a screen holds.
const (
	maxEntries  = 8
	maxEvidence = 14
	maxCauses   = 4
	maxSources  = 6
)

// stretchTimes is the width of two times of a drive of less than 100 minutes.
const stretchTimes = 11

// Options say for which terminal a page is laid out. The zero value gives 80
// columns of uncoloured English in UTF-8.
type Options struct {
	// Width in columns; 0 means 80, and what is out of bounds is brought to [MinWidth] or [MaxWidth].
	Width int
	// Language is a BCP 47 tag; without text in it the page is in English and says so.
	Language string
	// Colour adds terminal attributes. They repeat what the text says and never carry a meaning alone.
	Colour bool
	// ASCII avoids every character outside ASCII, for a terminal that is not UTF-8.
	ASCII bool
	// Source names where the samples came from, such as a file; empty shows nothing.
	Source string
	// Full lists everything; otherwise long lists end in "and N more".
	Full bool
	// Explain lists every explanation that does not lead, each with all that decides between it and the leading one;
	// otherwise a few, each with what speaks most against it.
	Explain bool
}

// Write lays v out on w in one write. The error is that of w. A nil verdict,
// or one without an assessment, gives a page that says so.
func Write(w io.Writer, v *pb.Verdict, o Options) error {
	s := newSheet(o)
	if v.GetAssessment() == nil {
		s.textOnly(v)
	} else {
		s.assessment(v.GetAssessment())
	}
	s.footer(v)
	if _, err := io.WriteString(w, s.String()); err != nil {
		return fmt.Errorf("writing the page: %w", err)
	}
	return nil
}

// textOnly shows a verdict that came with words but without codes and numbers.
func (s *sheet) textOnly(v *pb.Verdict) {
	text := v.GetText()
	if text.GetHeadline() == "" {
		s.headline(s.words.Headline(nil))
		return
	}
	s.headline(text.GetHeadline())
	s.source()
	if text.GetSummary() != "" {
		s.blank()
		s.para(0, 0, text.GetSummary())
	}
	if len(text.GetAdvice()) > 0 {
		s.heading(s.labels.Next)
		list(s, text.GetAdvice(), maxEntries, func(i int, advice string) {
			s.numbered(i+1, advice)
		})
	}
}

func (s *sheet) assessment(a *pb.Assessment) {
	s.headline(s.words.Headline(a))
	s.source()
	s.findings(a)
	s.references(a.GetReferences())
	s.plain(a)
	s.meterErrors(a)
	s.why(a)
	s.next(a)
	s.tests(a)
	s.distrusted(a)
	s.ambiguities(a)
	s.gaps(a)
	s.stretches(a)
	s.explanations(a)
	s.alternatives(a)
	s.codes(a)
	s.facts(a)
	s.samples(a)
}

func (s *sheet) source() {
	if s.o.Source != "" {
		s.dim(func() { s.para(0, 2, s.labels.Source+": "+s.o.Source) })
	}
}

// findings shows each sensor, the leading explanation and how firm all that is.
func (s *sheet) findings(a *pb.Assessment) {
	s.blank()
	list(s, a.Sensors, maxEntries, func(_ int, f *pb.SensorFinding) {
		s.dotted(2, s.words.FindingLine(f), s.findingProbability(f))
	})
	if len(a.Conditions) > 0 {
		s.leading(a.Conditions[0])
	}
	for _, g := range a.GetGaps() {
		if wording.Contradicts(g) {
			s.para(2, 4, "! "+s.words.GapName(g))
		}
	}
	if a.Conclusive {
		s.para(2, 4, s.labels.Firm+".")
		return
	}
	var reasons []string
	for _, reason := range a.InconclusiveReasons[:min(len(a.InconclusiveReasons), maxEntries)] {
		reasons = append(reasons, s.words.InconclusiveReason(reason))
	}
	text := s.labels.NotFirm
	if len(reasons) > 0 {
		text += ": " + strings.Join(reasons, "; ")
	}
	s.para(2, 4, wording.Sentence(text))
}

// references says what became of each reference drive.
func (s *sheet) references(us []*pb.ReferenceUse) {
	list(s, us, maxEntries, func(_ int, u *pb.ReferenceUse) { s.para(2, 4, wording.Sentence(s.words.Reference(u))) })
	if text := s.words.ReferencesTaught(us); text != "" {
		s.para(2, 4, wording.Sentence(text))
	}
}

func (s *sheet) findingProbability(f *pb.SensorFinding) string {
	switch f.GetFinding() {
	case pb.Finding_FINDING_NOT_FITTED, pb.Finding_FINDING_UNSPECIFIED, pb.Finding_FINDING_INCONCLUSIVE:
		// The probability of what is not found would read as that of a fault.
		return ""
	}
	return s.words.Probability(f.GetProbability())
}

func (s *sheet) leading(p *pb.ConditionProbability) {
	s.dotted(2, s.labels.Likeliest+": "+s.words.Condition(p.GetCondition()), s.words.Probability(p.GetProbability()))
	list(s, p.GetCauses(), maxCauses, func(_ int, cause *pb.CauseProbability) {
		if cause.GetCause() != pb.Cause_CAUSE_NONE {
			s.dotted(4, s.words.CauseInBank(cause), s.words.Probability(cause.GetProbability()))
		}
	})
}

// meterErrors draws the error of each meter and lists its numbers.
func (s *sheet) meterErrors(a *pb.Assessment) {
	banks := banksOf(a.MeterErrors)
	if len(banks) == 0 {
		return
	}
	list(s, banks, maxEntries, func(_ int, bank int32) {
		s.heading(s.words.MeterErrorTitle(bank))
		var errors []*pb.MeterError
		for _, e := range a.MeterErrors {
			if e.GetBank() == bank {
				errors = append(errors, e)
			}
		}
		s.errorChart(errors)
		s.errorTable(errors)
	})
}

func banksOf(errors []*pb.MeterError) []int32 {
	var banks []int32
	seen := map[int32]bool{}
	for _, e := range errors {
		if bank := e.GetBank(); !seen[bank] {
			seen[bank] = true
			banks = append(banks, bank)
		}
	}
	slices.Sort(banks)
	return banks
}

func (s *sheet) errorTable(errors []*pb.MeterError) {
	shown := errors
	if !s.o.Full {
		shown = spread(errors, maxEntries)
	}
	rows := [][]string{{s.labels.Flow, s.labels.Error, s.labels.Interval}}
	for _, e := range shown {
		rows = append(rows, []string{
			s.words.Quantity(e.GetFlowGPerS(), "g/s"),
			s.words.Deviation(e.GetErrorPercent(), "%"),
			s.words.Range(e.GetLowPercent(), e.GetHighPercent(), "%"),
		})
	}
	s.blank()
	s.columns(2, rows)
	if len(shown) < len(errors) {
		s.para(2, 2, s.words.FlowsListed(len(shown), len(errors)))
	}
}

// spread picks n entries, the first and the last among them, evenly over the list.
func spread[T any](all []T, n int) []T {
	if len(all) <= n {
		return all
	}
	picked := make([]T, n)
	for i := range picked {
		picked[i] = all[i*(len(all)-1)/(n-1)]
	}
	return picked
}

// why is the evidence, the strongest first.
func (s *sheet) why(a *pb.Assessment) {
	if len(a.Evidence) == 0 {
		return
	}
	s.heading(s.labels.Why)
	reference := wording.Reference(a)
	evidence := append([]*pb.Evidence(nil), a.Evidence...)
	sort.SliceStable(evidence, func(i, j int) bool {
		return wording.Strength(evidence[i], reference) > wording.Strength(evidence[j], reference)
	})
	shown := evidence
	if !s.o.Full {
		shown = evidence[:min(len(evidence), maxEvidence)]
	}
	s.evidence(shown, reference)
	if more := len(evidence) - len(shown); more > 0 {
		s.para(2, 2, s.words.More(more))
	}
	s.dim(func() { s.evidenceNotes(shown, reference) })
}

func (s *sheet) evidenceNotes(shown []*pb.Evidence, reference pb.Condition) {
	var note strings.Builder
	note.WriteString(s.labels.PlusMinus)
	if reference != pb.Condition_CONDITION_UNSPECIFIED {
		note.WriteString(" " + s.words.LeaningNote(reference))
	}
	for _, e := range shown {
		if !e.GetCounted() {
			note.WriteString(" " + s.labels.NotCounted)
			break
		}
	}
	s.para(2, 2, note.String())
}

func (s *sheet) evidence(shown []*pb.Evidence, reference pb.Condition) {
	rows := make([]evidenceRow, len(shown))
	for i, e := range shown {
		line := s.words.Evidence(e)
		leans := s.words.Leaning(e, reference)
		if leans == "" {
			leans = s.glyphs.nothing
		}
		if !line.Counted {
			leans = "(" + leans + ")"
		}
		rows[i] = evidenceRow{line.Name, line.Measured, line.Expected, leans}
	}
	s.evidenceRows(rows)
}

// next is the advice with its cautions; those that every step shares stand once, before all.
func (s *sheet) next(a *pb.Assessment) {
	if len(a.Advice) == 0 {
		return
	}
	s.heading(s.labels.Next)
	shared := s.sharedCautions(a.Advice)
	if len(shared) > 0 {
		s.para(2, 2, s.words.EveryStep()+":")
		for _, caution := range shared {
			s.caution(caution)
		}
	}
	list(s, a.Advice, maxEntries, func(i int, advice *pb.Advice) {
		s.numbered(i+1, strings.TrimSpace(s.words.Advice(advice)+" "+s.words.AdviceReason(advice, a.NextTests)))
		s.tell(advice.GetManoeuvre(), advice.GetInspection())
		for _, caution := range s.words.Cautions(advice) {
			if !slices.Contains(shared, caution) {
				s.caution(caution)
			}
		}
	})
}

func (s *sheet) sharedCautions(advice []*pb.Advice) []string {
	if len(advice) < 2 {
		return nil
	}
	shared := s.words.Cautions(advice[0])
	for _, other := range advice[1:] {
		cautions := s.words.Cautions(other)
		var kept []string
		for _, caution := range shared {
			if slices.Contains(cautions, caution) {
				kept = append(kept, caution)
			}
		}
		shared = kept
	}
	return shared
}

func (s *sheet) distrusted(a *pb.Assessment) {
	if len(a.DistrustedSignals) == 0 {
		return
	}
	s.heading(s.labels.Distrusted)
	list(s, a.DistrustedSignals, maxEntries, func(_ int, d *pb.DistrustedSignal) {
		s.bullet(s.words.Distrusted(d))
	})
}

func (s *sheet) ambiguities(a *pb.Assessment) {
	if len(a.Ambiguities) == 0 {
		return
	}
	s.heading(s.labels.Ambiguities)
	list(s, a.Ambiguities, maxEntries, func(_ int, m *pb.Ambiguity) {
		s.para(2, 2, s.words.Together(m.GetProbability())+":")
		list(s, m.GetCauses(), maxEntries, func(_ int, cause *pb.AmbiguousCause) {
			s.dotted(4, s.words.CauseOf(cause), s.words.Probability(cause.GetProbability()))
		})
		if len(m.GetInspections()) > 0 {
			s.para(2, 2, s.words.SeparateBy())
		}
		list(s, m.GetInspections(), maxEntries, func(i int, inspection pb.Inspection) {
			text := s.words.InspectionTask(inspection)
			if s.toldInspections[inspection] {
				text = wording.Sentence(s.words.Inspection(inspection))
			}
			s.numbered(i+1, text)
			s.tell(pb.ManoeuvreKind_MANOEUVRE_KIND_UNSPECIFIED, inspection)
		})
	})
}

func (s *sheet) gaps(a *pb.Assessment) {
	if len(a.Gaps) == 0 {
		return
	}
	s.heading(s.labels.Gaps)
	list(s, a.Gaps, maxEntries, func(_ int, g *pb.Gap) {
		text := s.words.Gap(g)
		if s.told(g) {
			text = s.words.GapName(g)
		}
		s.bullet(text)
	})
}

// told reports whether the page has already said how to supply what is
// missing, and notes that it is about to.
func (s *sheet) told(g *pb.Gap) bool {
	manoeuvre, inspection := s.toldManoeuvres[g.GetManoeuvre()], s.toldInspections[g.GetInspection()]
	s.tell(g.GetManoeuvre(), g.GetInspection())
	return (manoeuvre || g.GetManoeuvre() == pb.ManoeuvreKind_MANOEUVRE_KIND_UNSPECIFIED) &&
		(inspection || g.GetInspection() == pb.Inspection_INSPECTION_UNSPECIFIED)
}

func (s *sheet) tell(m pb.ManoeuvreKind, i pb.Inspection) {
	s.toldManoeuvres[m] = true
	s.toldInspections[i] = true
}

func (s *sheet) stretches(a *pb.Assessment) {
	if len(a.Manoeuvres) == 0 {
		return
	}
	s.heading(s.labels.Stretches)
	list(s, a.Manoeuvres, maxEvidence, func(_ int, m *pb.Manoeuvre) {
		when := wording.Clock(m.GetStartUs()) + s.glyphs.to + wording.Clock(m.GetEndUs())
		if a.GetSampleUse().GetClock() == pb.ClockKind_CLOCK_KIND_ROW_ORDER {
			// Without a clock the times are row numbers in disguise.
			when = "-"
		}
		s.item(when, stretchTimes, s.words.Manoeuvre(m.GetKind())+": "+s.words.Stretch(m))
	})
}

// explanations is every condition with its probability as a bar.
func (s *sheet) explanations(a *pb.Assessment) {
	if len(a.Conditions) == 0 {
		return
	}
	s.heading(s.labels.Explanations)
	shown := len(a.Conditions)
	if !s.o.Full {
		shown = 0
		const visible = 0.01 // below, a bar shows nothing and the text says "< 1 %"
		for shown < min(len(a.Conditions), maxEntries) && !(a.Conditions[shown].GetProbability() < visible) {
			shown++
		}
		shown = max(shown, 1)
	}
	for _, p := range a.Conditions[:shown] {
		s.bar(s.words.Condition(p.GetCondition()), p.GetProbability(), s.words.Probability(p.GetProbability()))
	}
	if rest := a.Conditions[shown:]; len(rest) > 0 {
		sum := 0.0
		for _, p := range rest {
			sum += p.GetProbability()
		}
		s.para(2, 2, s.words.MoreTogether(len(rest), sum))
	}
}

func (s *sheet) codes(a *pb.Assessment) {
	if len(a.TroubleCodes) == 0 {
		return
	}
	s.heading(s.labels.TroubleCodes)
	list(s, a.TroubleCodes, maxEntries, func(_ int, u *pb.TroubleCodeUse) { s.bullet(s.words.TroubleCode(u)) })
	s.para(2, 2, s.words.CodesProve())
}

func (s *sheet) facts(a *pb.Assessment) {
	if len(a.FactProposals) == 0 {
		return
	}
	s.heading(s.labels.Facts)
	list(s, a.FactProposals, maxEntries, func(_ int, f *pb.FactProposal) { s.bullet(s.words.FactProposal(f)) })
}

func (s *sheet) samples(a *pb.Assessment) {
	use := a.SampleUse
	if use == nil {
		return
	}
	s.heading(s.labels.Samples)
	s.para(2, 2, s.words.SampleUse(use))
	unused := use.GetUnusedSignals()
	if len(unused) == 0 {
		return
	}
	shown := unused
	if !s.o.Full {
		shown = unused[:min(len(unused), maxSources)]
	}
	text := strings.Join(shown, ", ")
	if more := len(unused) - len(shown); more > 0 {
		text += " " + s.words.More(more)
	}
	s.para(2, 4, s.words.UnusedSignals(text))
}

// footer says which engine concluded this, and when, and in which language it is told.
func (s *sheet) footer(v *pb.Verdict) {
	var parts []string
	if version := v.GetAssessment().GetEngineVersion(); version != "" {
		parts = append(parts, s.labels.Engine+" "+version)
	}
	if v.GetName() != "" {
		parts = append(parts, s.labels.Verdict+" "+v.GetName())
	}
	if t := v.GetCreateTime(); t.IsValid() {
		parts = append(parts, t.AsTime().UTC().Format(time.RFC3339))
	}
	lines := []string{strings.Join(parts, "; ")}
	if s.words.Fallback() {
		lines = append(lines, s.words.NoSuchLanguage(s.o.Language))
	}
	if lines[0] == "" && len(lines) == 1 {
		return
	}
	s.blank()
	s.dim(func() {
		for _, line := range lines {
			s.para(0, 2, line)
		}
	})
}

// list calls show for each entry, but for no more than most unless the page is full.
func list[T any](s *sheet, all []T, most int, show func(i int, entry T)) {
	shown := all
	if !s.o.Full {
		shown = all[:min(len(all), most)]
	}
	for i, entry := range shown {
		show(i, entry)
	}
	if more := len(all) - len(shown); more > 0 {
		s.para(2, 2, s.words.More(more))
	}
}

func (s *sheet) numbered(n int, text string) {
	s.item(strconv.Itoa(n)+".", 2, text)
}
