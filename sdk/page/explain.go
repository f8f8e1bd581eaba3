// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package page

import (
	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page/wording"
)

// plain is what can be read to a customer.
func (s *sheet) plain(a *pb.Assessment) {
	s.heading(s.labels.Plain)
	s.para(2, 2, s.words.PlainSummary(a))
}

// tests are what promises most where the verdict is not firm.
func (s *sheet) tests(a *pb.Assessment) {
	if len(a.NextTests) == 0 {
		return
	}
	s.heading(s.labels.Tests)
	list(s, a.NextTests, maxSources, func(i int, t *pb.NextTest) {
		s.numbered(i+1, wording.Capital(s.words.NextTest(t))+": "+s.words.NextTestReason(t)+".")
	})
}

// maxAlternatives are shown unless everything is.
const maxAlternatives = 3

// alternatives say of each explanation that does not lead what it would have shown: where it fails, and with
// [Options.Explain] the other evidence that decides too.
func (s *sheet) alternatives(a *pb.Assessment) {
	if len(a.Alternatives) == 0 {
		return
	}
	s.heading(s.labels.Alternatives)
	show := func(_ int, x *pb.Alternative) {
		s.dotted(2, wording.Capital(s.words.Alternative(x)), s.words.Probability(x.GetProbability()))
		if !s.o.Explain {
			s.para(4, 4, wording.Sentence(s.words.AlternativeFailed(x, a.Evidence)))
			return
		}
		for _, p := range x.GetPredictions() {
			if text := s.words.PredictionFailed(p, a.Evidence); text != "" {
				s.para(4, 6, wording.Sentence(text))
			}
		}
	}
	if s.o.Explain {
		for i, x := range a.Alternatives {
			show(i, x)
		}
		return
	}
	list(s, a.Alternatives, maxAlternatives, show)
}
