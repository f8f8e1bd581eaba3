// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"context"
	"fmt"
	"runtime"

	"github.com/spf13/pflag"

	"github.com/airassay/airassay/server/assay"
)

func versionCommand() command {
	return command{
		name:  "version",
		about: "show the version of the program and of its engine",
		long: "Shows the version of the program, of the engine that makes the verdicts, and of\n" +
			"the tool chain, in one line. Verdicts of equal engines can be compared.\n",
		prepare: func(*pflag.FlagSet) runner {
			return func(_ context.Context, t *streams, args []string) error {
				if len(args) > 0 {
					return &usageError{command: "version", text: fmt.Sprintf("version takes no arguments, but there is %q", args[0])}
				}
				return t.result([]byte(versionLine()))
			}
		},
	}
}

func versionLine() string {
	version, revision, goVersion := build()
	const shown = 12
	if revision != "" {
		version += " " + revision[:min(shown, len(revision))]
	}
	return fmt.Sprintf("%s %s, %s, %s %s/%s\n", program, version, assay.EngineVersion, goVersion, runtime.GOOS, runtime.GOARCH)
}
