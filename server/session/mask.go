// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// applyMask copies the fields of mask from src to dst: all that a caller may set where it is
// empty or "*". Fields that the server owns and those in fixed cannot be changed.
func applyMask(dst, src proto.Message, mask []string, fixed ...string) error {
	from, to := proto.Clone(src).ProtoReflect(), dst.ProtoReflect()
	if len(mask) == 0 || len(mask) == 1 && mask[0] == "*" {
		mask = nil
		for f := range fieldsOf(to) {
			if !serverOwned(f) && !slices.Contains(fixed, string(f.Name())) {
				mask = append(mask, string(f.Name()))
			}
		}
	}
	var c checker
	for i, path := range mask {
		if problem := copyPath(to, from, strings.Split(path, "."), fixed); problem != "" {
			c.addf(fmt.Sprintf("update_mask.paths[%d]", i), "is %s, %s", shown(path), problem)
		}
	}
	return c.err()
}

// copyPath copies one field and says what is wrong with its path, or "".
func copyPath(dst, src protoreflect.Message, path, fixed []string) string {
	f := dst.Descriptor().Fields().ByName(protoreflect.Name(path[0]))
	switch {
	case f == nil:
		return fmt.Sprintf("but %s has no field %s", dst.Descriptor().Name(), shown(path[0]))
	case serverOwned(f):
		return "which the server alone writes; leave it out"
	case slices.Contains(fixed, path[0]):
		return "which cannot be changed afterwards; leave it out"
	case len(path) > 1 && (f.Message() == nil || f.IsList()):
		return fmt.Sprintf("but single fields of %s cannot be named; name it as a whole", path[0])
	case len(path) > 1:
		return copyPath(dst.Mutable(f).Message(), src.Get(f).Message(), path[1:], nil)
	case src.Has(f):
		dst.Set(f, src.Get(f))
	default:
		dst.Clear(f)
	}
	return ""
}
