// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build !unix

package replay

import "os"

const readFlags = os.O_RDONLY
