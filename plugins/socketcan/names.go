// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"fmt"
	"hash/fnv"
	"regexp"
	"strings"
)

var idForm = regexp.MustCompile(`^[a-z0-9.-]{1,60}$`)

var notInID = regexp.MustCompile(`[^a-z0-9.-]+`)

// idOf makes the id of a device of an interface's name alone, so that it survives restarts. A name that is no id becomes one
// by a hash.
func idOf(name string) string {
	if idForm.MatchString(name) {
		return name
	}
	hash := fnv.New32a()
	_, _ = hash.Write([]byte(name))
	return fmt.Sprintf("%s-%08x", notInID.ReplaceAllString(strings.ToLower(name), "-"), hash.Sum32())
}
