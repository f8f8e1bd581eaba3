// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"errors"
	"fmt"
	"regexp"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

var (
	nameForm = regexp.MustCompile(`^[a-z0-9](?:[a-z0-9-]{0,38}[a-z0-9])?$`)
	idForm   = regexp.MustCompile(`^[a-z0-9.-]{1,60}$`)
	// versionForm is semantic versioning 2.0.0.
	versionForm = regexp.MustCompile(`^(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)(-[0-9A-Za-z.-]+)?(\+[0-9A-Za-z.-]+)?$`)
)

// check says everything that is wrong with a description.
func (d Description) check() error {
	var wrong []error
	if !nameForm.MatchString(d.Name) {
		wrong = append(wrong, fmt.Errorf("field Name is %q; use lower-case letters, digits and hyphens, at most 40", d.Name))
	}
	if !versionForm.MatchString(d.Version) {
		wrong = append(wrong, fmt.Errorf("field Version is %q; use a semantic version, such as 1.4.0", d.Version))
	}
	if d.Summary == "" {
		wrong = append(wrong, errors.New("field Summary is empty; say in one sentence what the adapter is for"))
	}
	if len(d.Abilities) == 0 {
		wrong = append(wrong, errors.New("field Abilities is empty; list AbilityFeed, AbilityLink or both"))
	}
	for _, a := range d.Abilities {
		if a != AbilityFeed && a != AbilityLink {
			wrong = append(wrong, fmt.Errorf("field Abilities holds %d; list AbilityFeed, AbilityLink or both", a))
		}
	}
	if len(wrong) > 0 {
		return fmt.Errorf("the adapter's description cannot be used: %w", errors.Join(wrong...))
	}
	return nil
}

func (d Description) message() *adapterv1beta1.DescribeResponse {
	m := &adapterv1beta1.DescribeResponse{
		Name: d.Name, Version: d.Version, Summary: d.Summary, FeedSignals: d.FeedSignals, Deprecations: d.Deprecations,
	}
	for _, a := range d.Abilities {
		switch a {
		case AbilityFeed:
			m.Abilities = append(m.Abilities, adapterv1beta1.Ability_ABILITY_FEED)
		case AbilityLink:
			m.Abilities = append(m.Abilities, adapterv1beta1.Ability_ABILITY_LINK)
		}
	}
	return m
}
