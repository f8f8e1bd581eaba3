// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"errors"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/airassay/airassay/server/session"
)

// listOptions are the parts of a list's request that the domain knows.
func listOptions(r interface {
	GetPageSize() int32
	GetPageToken() string
}) session.ListOptions {
	o := session.ListOptions{PageSize: int(r.GetPageSize()), PageToken: r.GetPageToken()}
	if f, ok := r.(interface{ GetFilter() string }); ok {
		o.Filter = f.GetFilter()
	}
	return o
}

// maxPageBytes keeps a page, and what the transport adds, below the 4 MiB that
// every gRPC client takes.
const maxPageBytes = 3 << 20

// fitting lists a page of at most as many entries as were asked for that has
// no more than maxPageBytes: the list is asked for fewer until it fits.
func fitting[R proto.Message](o session.ListOptions, list func(session.ListOptions) (R, error)) (R, error) {
	if o.PageSize == 0 {
		o.PageSize = session.DefaultPageSize
	}
	for {
		page, err := list(o)
		if err != nil || o.PageSize <= 1 || proto.Size(page) <= maxPageBytes {
			return page, err
		}
		o.PageSize /= 2
	}
}

// within makes the fields that an error names paths of the request: the domain
// names those of the resource, which the request holds in one of its fields.
func within(resource string, request proto.Message, err error) error {
	var e *session.Error
	if !errors.As(err, &e) || len(e.Violations) == 0 {
		return err
	}
	fields := request.ProtoReflect().Descriptor().Fields()
	moved := *e
	moved.Violations = make([]session.Violation, len(e.Violations))
	for i, v := range e.Violations {
		switch {
		case v.Field == "":
			v.Field = resource
		case fields.ByName(first(v.Field)) == nil:
			v.Field = resource + "." + v.Field
		}
		moved.Violations[i] = v
	}
	return &moved
}

// first is the first name of a path.
func first(path string) protoreflect.Name {
	if i := strings.IndexAny(path, ".["); i >= 0 {
		path = path[:i]
	}
	return protoreflect.Name(path)
}
