// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package wording

import (
	"fmt"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// ReferenceBelief says what became of a reference drive.
func (c Catalogue) ReferenceBelief(code pb.ReferenceBelief) string {
	return lookup(c, c.l.references, code, whole)
}

// Reference is what became of one reference drive, as a clause.
func (c Catalogue) Reference(u *pb.ReferenceUse) string {
	what := c.ReferenceBelief(u.GetBelief())
	switch u.GetBelief() {
	case pb.ReferenceBelief_REFERENCE_BELIEF_BELIEVED, pb.ReferenceBelief_REFERENCE_BELIEF_UNDECIDED:
		what = fmt.Sprintf(c.l.phrases.referenceSure, what, c.Probability(u.GetProbability()))
	}
	phrase := c.l.phrases.referenceOther
	if u.GetSameVehicle() {
		phrase = c.l.phrases.referenceOwn
	}
	return fmt.Sprintf(phrase, u.GetIndex()+1, what)
}

// ReferencesTaught is what the references together have taught, or "" for nothing.
func (c Catalogue) ReferencesTaught(us []*pb.ReferenceUse) string {
	for _, u := range us {
		if u.FlowGPerS != nil && u.UncertaintyWithoutPercent != nil && u.UncertaintyWithPercent != nil {
			return fmt.Sprintf(c.l.phrases.referenceTaught, c.Quantity(u.GetFlowGPerS(), "g/s"),
				c.Quantity(halfWidth90*u.GetUncertaintyWithoutPercent(), "%"), c.Quantity(halfWidth90*u.GetUncertaintyWithPercent(), "%"))
		}
	}
	return ""
}
