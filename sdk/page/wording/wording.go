// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package wording turns the codes and numbers of an assessment into text. It
// is the one home of every sentence that a technician reads, so that the
// service, the terminal page and a printed report say the same thing in the
// same words, and it adds nothing to what the assessment says.
//
// A language is one file: it fills a language value and registers it, as
// english.go does. The tests then demand a text for every code of the API.
package wording

import (
	"fmt"
	"sort"
	"strings"
	"unicode"
	"unicode/utf8"

	xlanguage "golang.org/x/text/language"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// fallbackTag is the language of last resort.
const fallbackTag = "en"

// language is everything that differs from language to language. Phrases are
// formats with numbered arguments, so that each language can put them in its
// own order.
type language struct {
	tag     string // BCP 47
	decimal string // decimal mark

	conditions   map[pb.Condition]conditionText
	causes       map[pb.Cause]string
	findings     map[pb.Finding]string
	sensors      map[pb.Sensor]sensorText
	evidence     map[pb.EvidenceKind]evidenceText
	manoeuvres   map[pb.ManoeuvreKind]manoeuvreText
	gates        map[pb.GateReason]string
	gaps         map[pb.GapKind]string
	actions      map[pb.AdviceAction]actionText
	inspections  map[pb.Inspection]inspectionText
	outcomes     map[pb.InspectionOutcome]string
	cautions     map[pb.Caution]string
	distrust     map[pb.DistrustReason]string
	inconclusive map[pb.InconclusiveReason]string
	clocks       map[pb.ClockKind]string
	gapReasons   map[pb.SampleGapReason]string
	aspirations  map[pb.Aspiration]string
	fuels        map[pb.Fuel]string
	meters       map[pb.AirMeterTechnology]string
	cycles       map[pb.CombustionCycle]string
	airLocations map[pb.IntakeAirTemperatureLocation]string
	purposes     map[pb.Purpose]string
	references   map[pb.ReferenceBelief]string
	outcomesOf   map[pb.Outcome]string
	concerns     map[pb.ComparisonConcern]string
	magnitudes   map[pb.MagnitudeKind]string
	factSources  map[pb.FactSource]string

	// For somebody who owns a car and does not repair it.
	plainConditions map[pb.Condition]string    // a clause
	plainActions    map[pb.AdviceAction]string // a sentence without its full stop

	facts  map[string]string        // by field of Vehicle or DayConditions
	signal func(path string) string // by VSS path; empty for a path without a name

	labels  Labels
	phrases phrases
}

type conditionText struct {
	name   string // for lists
	clause string // a main clause without its full stop, lower case
}

type sensorText struct {
	name    string // for lists
	subject string // as the subject of a sentence
}

type evidenceText struct {
	name    string // for tables
	explain string // what is compared with what
}

type manoeuvreText struct {
	name string // for lists
	how  string // how to drive it
	care string // what to mind while driving it; empty where it can hurt nobody
}

type actionText struct {
	name   string // short, for summaries
	advice string // sentence; {sensor} is the sensor as a subject, {clause} the clause of the condition
}

type inspectionText struct {
	name string // for lists
	task string // an imperative sentence
}

var languages = map[string]*language{}

func register(l *language) *language {
	languages[l.tag] = l
	return l
}

// Catalogue gives the texts of one language. The zero value is not usable; get
// one from [For]. It is immutable and safe for concurrent use.
type Catalogue struct {
	l        *language
	fallback bool
}

// For returns the catalogue for a BCP 47 tag or a list of them as in the
// Accept-Language header, such as "en-GB" or "de, en;q=0.5". A language that
// is not there, or a tag that cannot be parsed, gives English;
// [Catalogue.LanguageCode] says which language it became and
// [Catalogue.Fallback] whether that is a substitute. Empty means English.
func For(languageCode string) Catalogue {
	if languageCode == "" {
		return Catalogue{l: languages[fallbackTag]}
	}
	wanted, _, err := xlanguage.ParseAcceptLanguage(languageCode)
	if err != nil || len(wanted) == 0 {
		return Catalogue{l: languages[fallbackTag], fallback: true}
	}
	codes := Languages()
	tags := make([]xlanguage.Tag, len(codes))
	for i, code := range codes {
		tags[i] = xlanguage.Make(code)
	}
	_, index, confidence := xlanguage.NewMatcher(tags).Match(wanted...)
	if confidence == xlanguage.No {
		index = 0
	}
	return Catalogue{l: languages[codes[index]], fallback: !anyOf(wanted, tags[index])}
}

// anyOf reports whether one of the wanted tags is the same language, whatever
// the region. The matcher alone does not tell: it also offers a language that
// many speakers of the wanted one read, which is a substitute.
func anyOf(wanted []xlanguage.Tag, got xlanguage.Tag) bool {
	base, _ := got.Base()
	for _, tag := range wanted {
		if b, _ := tag.Base(); b == base {
			return true
		}
	}
	return false
}

// Languages lists the BCP 47 tags of the languages that are there, the
// fallback first and the others in order.
func Languages() []string {
	codes := make([]string, 0, len(languages))
	for code := range languages {
		if code != fallbackTag {
			codes = append(codes, code)
		}
	}
	sort.Strings(codes)
	return append([]string{fallbackTag}, codes...)
}

// LanguageCode is the BCP 47 tag of the language that the texts are in.
func (c Catalogue) LanguageCode() string { return c.l.tag }

// Fallback reports whether another language than this one was asked for.
func (c Catalogue) Fallback() bool { return c.fallback }

// lookup returns the text of a code, or says which code this version does not know.
func lookup[K interface {
	~int32
	fmt.Stringer
}, T any](c Catalogue, texts map[K]T, code K, get func(T) string) string {
	if text, ok := texts[code]; ok {
		return get(text)
	}
	return fmt.Sprintf(c.l.phrases.unknownCode, int32(code))
}

func whole(s string) string { return s }

// Condition names a condition, for lists.
func (c Catalogue) Condition(code pb.Condition) string {
	return lookup(c, c.l.conditions, code, func(t conditionText) string { return t.name })
}

// ConditionClause is the condition as a clause without a full stop.
func (c Catalogue) ConditionClause(code pb.Condition) string {
	return lookup(c, c.l.conditions, code, func(t conditionText) string { return t.clause })
}

// Cause names a cause, for lists.
func (c Catalogue) Cause(code pb.Cause) string { return lookup(c, c.l.causes, code, whole) }

// Finding says what a sensor does, to stand after its name.
func (c Catalogue) Finding(code pb.Finding) string { return lookup(c, c.l.findings, code, whole) }

// Sensor names a sensor, and its bank where that is not 0.
func (c Catalogue) Sensor(code pb.Sensor, bank int32) string {
	return c.withBank(lookup(c, c.l.sensors, code, func(t sensorText) string { return t.name }), bank)
}

func (c Catalogue) sensorSubject(code pb.Sensor, bank int32) string {
	return c.withBank(lookup(c, c.l.sensors, code, func(t sensorText) string { return t.subject }), bank)
}

func (c Catalogue) withBank(s string, bank int32) string {
	if bank == 0 {
		return s
	}
	return fmt.Sprintf(c.l.phrases.ofBank, s, bank)
}

// EvidenceKind names what a piece of evidence compares, for tables.
func (c Catalogue) EvidenceKind(code pb.EvidenceKind) string {
	return lookup(c, c.l.evidence, code, func(t evidenceText) string { return t.name })
}

// EvidenceExplained says what a piece of evidence compares with what.
func (c Catalogue) EvidenceExplained(code pb.EvidenceKind) string {
	return lookup(c, c.l.evidence, code, func(t evidenceText) string { return t.explain })
}

// Manoeuvre names a manoeuvre.
func (c Catalogue) Manoeuvre(code pb.ManoeuvreKind) string {
	return lookup(c, c.l.manoeuvres, code, func(t manoeuvreText) string { return t.name })
}

// ManoeuvreInstruction says how to drive a manoeuvre, its cautions included.
func (c Catalogue) ManoeuvreInstruction(code pb.ManoeuvreKind) string {
	return lookup(c, c.l.manoeuvres, code, func(t manoeuvreText) string {
		return strings.TrimSpace(t.how + " " + t.care)
	})
}

func (c Catalogue) manoeuvreHow(code pb.ManoeuvreKind) string {
	return lookup(c, c.l.manoeuvres, code, func(t manoeuvreText) string { return t.how })
}

// GateReason says why a stretch was refused or weakened.
func (c Catalogue) GateReason(code pb.GateReason) string { return lookup(c, c.l.gates, code, whole) }

// GapKind says what is missing.
func (c Catalogue) GapKind(code pb.GapKind) string { return lookup(c, c.l.gaps, code, whole) }

// AdviceAction names an action in a few words.
func (c Catalogue) AdviceAction(code pb.AdviceAction) string {
	return lookup(c, c.l.actions, code, func(t actionText) string { return t.name })
}

// Inspection names an inspection.
func (c Catalogue) Inspection(code pb.Inspection) string {
	return lookup(c, c.l.inspections, code, func(t inspectionText) string { return t.name })
}

// InspectionTask is the inspection as something to do, one or two sentences.
func (c Catalogue) InspectionTask(code pb.Inspection) string {
	return lookup(c, c.l.inspections, code, func(t inspectionText) string { return t.task })
}

// InspectionOutcome says what an inspection found.
func (c Catalogue) InspectionOutcome(code pb.InspectionOutcome) string {
	return lookup(c, c.l.outcomes, code, whole)
}

// Caution spells a caution out.
func (c Catalogue) Caution(code pb.Caution) string { return lookup(c, c.l.cautions, code, whole) }

// DistrustReason says why a signal was not believed.
func (c Catalogue) DistrustReason(code pb.DistrustReason) string {
	return lookup(c, c.l.distrust, code, whole)
}

// InconclusiveReason says why there is no firm verdict.
func (c Catalogue) InconclusiveReason(code pb.InconclusiveReason) string {
	return lookup(c, c.l.inconclusive, code, whole)
}

// ClockKind says what the times of a recording rest on.
func (c Catalogue) ClockKind(code pb.ClockKind) string { return lookup(c, c.l.clocks, code, whole) }

// SampleGapReason says why samples are missing from a recording.
func (c Catalogue) SampleGapReason(code pb.SampleGapReason) string {
	return lookup(c, c.l.gapReasons, code, whole)
}

// Aspiration says how an engine is charged.
func (c Catalogue) Aspiration(code pb.Aspiration) string {
	return lookup(c, c.l.aspirations, code, whole)
}

// FactSource says what a proposed fact rests on, and how sure that is, to stand in brackets.
func (c Catalogue) FactSource(code pb.FactSource) string {
	return lookup(c, c.l.factSources, code, whole)
}

// Fuel names a fuel.
func (c Catalogue) Fuel(code pb.Fuel) string { return lookup(c, c.l.fuels, code, whole) }

// AirMeterTechnology says how an air meter works.
func (c Catalogue) AirMeterTechnology(code pb.AirMeterTechnology) string {
	return lookup(c, c.l.meters, code, whole)
}

// CombustionCycle names a working cycle.
func (c Catalogue) CombustionCycle(code pb.CombustionCycle) string {
	return lookup(c, c.l.cycles, code, whole)
}

// IntakeAirTemperatureLocation says where the intake air temperature sensor sits.
func (c Catalogue) IntakeAirTemperatureLocation(code pb.IntakeAirTemperatureLocation) string {
	return lookup(c, c.l.airLocations, code, whole)
}

// Purpose says why a vehicle is tested.
func (c Catalogue) Purpose(code pb.Purpose) string { return lookup(c, c.l.purposes, code, whole) }

// Signal names a signal by its VSS path; a path without a name of its own comes back as it is.
func (c Catalogue) Signal(path string) string {
	if name := c.l.signal(path); name != "" {
		return fmt.Sprintf(c.l.phrases.signalWithPath, name, path)
	}
	return path
}

// Fact names a field of Vehicle or DayConditions; a field without a name of its own comes back as it is.
func (c Catalogue) Fact(field string) string {
	if name, ok := c.l.facts[field]; ok {
		return name
	}
	return field
}

// Labels are the headings and short words of a page.
func (c Catalogue) Labels() Labels { return c.l.labels }

// Sentence gives a text a capital letter and a full stop where it lacks them.
func Sentence(s string) string {
	if s == "" {
		return s
	}
	s = Capital(s)
	switch last, _ := utf8.DecodeLastRuneInString(s); last {
	case '.', '!', '?', ':':
		return s
	}
	return s + "."
}

// Capital gives a text a capital letter.
func Capital(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	if first == utf8.RuneError {
		return s
	}
	return string(unicode.ToUpper(first)) + s[size:]
}
