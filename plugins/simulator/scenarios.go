// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package simulator

import (
	"encoding/json"
	"fmt"

	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/plugins/simulator/write"
)

// Scenario is a scenario that comes with the simulator, for whoever shows it.
type Scenario struct {
	// Name is its id, and that of its device.
	Name string
	// Title says in a few words what it is, truth included, and Description in some sentences.
	Title, Description string
	// Vehicle names the vehicle without its fault.
	Vehicle string
	// VehicleFile is what was entered about vehicle and day, as a vehicle file in JSON
	// (sdk/recording/vehiclefile reads it). It holds nothing of the truth.
	VehicleFile []byte
}

// Scenarios lists the scenarios that come with the simulator, the main one first.
// It is safe for concurrent use.
func Scenarios() ([]Scenario, error) {
	var list []Scenario
	for _, name := range scenario.Names() {
		f, err := scenario.NamedFile(name)
		if err != nil {
			return nil, err
		}
		facts, err := json.MarshalIndent(f.Case().Facts, "", "  ")
		if err != nil {
			return nil, fmt.Errorf("write the facts of %s: %w", name, err)
		}
		list = append(list, Scenario{Name: name, Title: f.Title, Description: f.Description, Vehicle: f.Vehicle.Name, VehicleFile: append(facts, '\n')})
	}
	return list, nil
}

// Truth drives a scenario that comes with the simulator as fast as it goes, some
// tenths of a second, and tells what was true. It is not for the judge. It is
// safe for concurrent use.
func Truth(name string) (scenario.Truth, error) {
	c, err := scenario.Named(name)
	if err != nil {
		return scenario.Truth{}, err
	}
	return c.Run().Truth, nil
}

// Record drives a scenario that comes with the simulator as fast as it goes, and
// writes recording.csv, vehicle.json and truth.json into a folder, which it makes.
func Record(name, folder string) error {
	c, err := scenario.Named(name)
	if err != nil {
		return err
	}
	return write.Drive(folder, &c)
}
