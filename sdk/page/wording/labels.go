// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package wording

// Labels are the headings and short words of a page, as they stand in a table
// or over a section. Every field is filled in every language.
type Labels struct {
	Findings      string
	Explanations  string
	MeterError    string
	Why           string
	Next          string
	Distrusted    string
	Ambiguities   string
	Gaps          string
	Stretches     string
	Facts         string
	Samples       string
	Measured      string
	Expected      string
	Leans         string
	For           string
	Against       string
	Neutral       string
	Used          string
	UsedWithLess  string
	Refused       string
	Flow          string
	Error         string
	Interval      string
	Entered       string
	Implied       string
	Unknown       string
	MinutesUnit   string
	Source        string
	Engine        string
	Verdict       string
	Firm          string
	NotFirm       string
	Likeliest     string
	NoMeterErrors string
	PlusMinus     string
	NotCounted    string
	Before        string
	After         string
	Change        string
	Obstacles     string
	Remains       string
}

// phrases are the sentences with holes. Every hole is numbered, so that a
// language can put them in its own order; english.go shows what goes in.
type phrases struct {
	unknownCode      string
	ofBank           string
	signalWithPath   string
	nothingAssessed  string
	noFirmVerdict    string
	likeliestSoFar   string
	readsTrueWithin  string
	notFitted        string
	onBank           string
	inBrackets       string
	finding          string
	findingSure      string
	offAt            string
	conditionSure    string
	causedBy         string
	cannotTell       string
	cannotTellApart  string
	elsewhere        string
	inBank           string
	or               string
	joined           string
	overall          string
	supports         string
	evidenceAt       string
	evidenceCompared string
	notBelieved      string
	signalBecause    string
	because          string
	wouldHelp        string
	nextStep         string
	nextPlain        string
	actionOn         string
	cautionList      string
	gapSignal        string
	gapInspection    string
	seenExpected     string
	seen             string
	expectedOnly     string
	enteredImplied   string
	implied          string
	speeds           string
	sampleCount      string
	airRatio         string
	samplesUsed      string
	lasting          string
	spacing          string
	highestFlow      string
	oneGap           string
	manyGaps         string
	unusedSignals    string
	more             string
	below            string
	between          string
	separate         string
	together         string
	leansReference   string
	listed           string
	noSuchLanguage   string
	everyStep        string
	referenceOwn     string
	referenceOther   string
	referenceSure    string
	referenceTaught  string
	deviation        string
	repeatability    string
	remains          string
	prevents         string
}
