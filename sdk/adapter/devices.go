// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

type device struct{}

func (s *service) releaseAll() {}
