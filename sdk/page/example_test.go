// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package page_test

import (
	"fmt"
	"os"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page"
)

func ExampleWrite() {
	verdict := &pb.Verdict{Assessment: &pb.Assessment{
		Conclusive: true,
		Conditions: []*pb.ConditionProbability{{Condition: pb.Condition_CONDITION_EXHAUST_RESTRICTED, Probability: 0.87}},
		Sensors:    []*pb.SensorFinding{{Sensor: pb.Sensor_SENSOR_AIR_METER, Finding: pb.Finding_FINDING_READS_TRUE, Probability: 0.95}},
	}}
	if err := page.Write(os.Stdout, verdict, page.Options{Width: 60, ASCII: true, Source: "hill.csv"}); err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
	// Output:
	// The air meter reads true (95 %); the fault is elsewhere: the
	// exhaust chokes the engine (87 %).
	// Source: hill.csv
	//
	//   Air meter reads true ................................ 95 %
	//   Likeliest explanation: exhaust restricted ........... 87 %
	//   Firm verdict.
	//
	// In plain words ---------------------------------------------
	//   We found that the exhaust seems to be blocked and keeps
	//   the engine from breathing out. We are fairly sure of that,
	//   but not certain (87 %). The sensor that measures the
	//   engine's air is fine.
	//
	// Explanations -----------------------------------------------
	//   exhaust restricted              #################     87 %
}
