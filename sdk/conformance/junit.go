// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"encoding/xml"
	"fmt"
	"io"
	"strings"
	"time"
)

// The schema that most systems for continuous integration read.
type junitSuite struct {
	XMLName   xml.Name    `xml:"testsuite"`
	Name      string      `xml:"name,attr"`
	Tests     int         `xml:"tests,attr"`
	Failures  int         `xml:"failures,attr"`
	Errors    int         `xml:"errors,attr"`
	Skipped   int         `xml:"skipped,attr"`
	Time      string      `xml:"time,attr"`
	Timestamp string      `xml:"timestamp,attr"`
	Cases     []junitCase `xml:"testcase"`
}

type junitCase struct {
	Class   string    `xml:"classname,attr"`
	Name    string    `xml:"name,attr"`
	Time    string    `xml:"time,attr"`
	Failure *junitWhy `xml:"failure"`
	Error   *junitWhy `xml:"error"`
	Skipped *junitWhy `xml:"skipped"`
}

type junitWhy struct {
	Message string `xml:"message,attr"`
	Text    string `xml:",chardata"`
}

// WriteJUnit writes the report as JUnit XML: a failed check is a failure, an unproven one an error.
func (r *Report) WriteJUnit(w io.Writer) error {
	suite := junitSuite{
		Name: "adapter conformance: " + r.Name, Tests: len(r.Results),
		Time: seconds(r.Took), Timestamp: r.Started.UTC().Format("2006-01-02T15:04:05"),
	}
	for i := range r.Results {
		one := &r.Results[i]
		c := junitCase{Class: "conformance." + string(one.Profile), Name: one.ID + " " + one.Title, Time: seconds(one.Took)}
		switch one.Status {
		case Passed:
		case Failed:
			suite.Failures++
			c.Failure = &junitWhy{Message: one.Finding.Error(), Text: printable(strings.Join(append([]string{one.Finding.Sentence + ": " + one.Finding.Text}, one.Log...), "\n"))}
		case Unproven:
			suite.Errors++
			c.Error = &junitWhy{Message: one.Reason, Text: printable(strings.Join(one.Log, "\n"))}
		case Skipped:
			suite.Skipped++
			c.Skipped = &junitWhy{Message: one.Reason}
		}
		suite.Cases = append(suite.Cases, c)
	}
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return err
	}
	e := xml.NewEncoder(w)
	e.Indent("", "  ")
	if err := e.Encode(suite); err != nil {
		return err
	}
	_, err := io.WriteString(w, "\n")
	return err
}

func seconds(d time.Duration) string { return fmt.Sprintf("%.3f", d.Seconds()) }

// printable takes out what a terminal would act on; XML escapes the rest itself.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' && r != '\t' {
			return -1
		}
		return r
	}, text)
}
