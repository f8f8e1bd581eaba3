// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/pflag"

	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording"
)

const mappingLong = `Shows how the file of another program would be read: which column is which
signal in which unit, where the time comes from, what is not used and why, and
what the file leaves open. Open questions are answered with --choose.

A mapping that is written with --write can be corrected by hand and given to
"` + program + ` assay --mapping FILE". Airassay's own format needs none.
`

// mappingFlags are the values of the command's flags.
type mappingFlags struct {
	write  string
	choose []string
}

func mappingCommand() command {
	return command{
		name:      "mapping",
		arguments: "RECORDING",
		about:     "show or write how another program's file is read",
		long:      mappingLong,
		prepare: func(flags *pflag.FlagSet) runner {
			var m mappingFlags
			flags.StringVar(&m.write, "write", "", "write the mapping to this `FILE`")
			flags.StringSliceVar(&m.choose, "choose", nil, "answer open questions: `ANSWER` is the question's number and the choice's letter, such as 1b; several with commas")
			return func(ctx context.Context, t *streams, args []string) error {
				path, err := oneRecording("mapping", args)
				if err == nil {
					err = nameGiven(flags, "write")
				}
				if err != nil {
					return err
				}
				return m.run(ctx, t, path)
			}
		},
	}
}

func (m *mappingFlags) run(ctx context.Context, t *streams, path string) error {
	o, err := openRecording(path)
	if err != nil {
		return err
	}
	defer closeRead(o)
	if o.own {
		return m.ownFormat(ctx, t, o)
	}
	p, err := o.propose(ctx, t)
	if err != nil {
		return err
	}
	if err := m.answer(p); err != nil {
		return err
	}
	if m.write != "" && len(p.Open()) > 0 {
		noteChoices(t, p)
		return &refusal{fmt.Sprintf("%s: a mapping with open questions is not written; add: --choose %s", path, exampleAnswers(p))}
	}
	shown, err := o.show(ctx, t, p)
	if err != nil {
		return err
	}
	if err := m.save(t, o, p.Mapping); err != nil {
		return err
	}
	return t.result(shown)
}

// ownFormat answers for a file that needs no mapping.
func (m *mappingFlags) ownFormat(ctx context.Context, t *streams, o *opened) error {
	if m.write != "" || len(m.choose) > 0 {
		return &refusal{o.path + ": this is Airassay's own format, which needs no mapping; leave --write and --choose out"}
	}
	rec, err := o.read(ctx, t, nil)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s is in Airassay's own format and needs no mapping.\n", printable(o.path))
	describeRead(&b, rec)
	return t.result(b.Bytes())
}

// show describes the proposal and, where nothing is open, what comes of
// reading the file by it.
func (o *opened) show(ctx context.Context, t *streams, p *recording.Proposal) ([]byte, error) {
	var b bytes.Buffer
	if err := p.Describe(&b); err != nil {
		return nil, fmt.Errorf("describing the mapping: %w", err)
	}
	if len(p.Open()) > 0 {
		fmt.Fprintf(&b, "\nAnswer with: %s mapping --choose %s --write FILE %s\n", program, exampleAnswers(p), printable(shellWord(o.path)))
		return b.Bytes(), nil
	}
	rec, err := o.read(ctx, t, p.Mapping)
	if err != nil {
		return nil, err
	}
	describeRead(&b, rec)
	return b.Bytes(), nil
}

// describeRead tells what was read, how sure its times are, and all that was
// not used.
func describeRead(b *bytes.Buffer, rec *recording.Recording) {
	counts := make([]int, len(rec.Signals))
	for _, s := range rec.Samples {
		counts[s.Signal]++
	}
	fmt.Fprintf(b, "\n%d rows, %d samples, clock %s\n\n", rec.Rows, len(rec.Samples), rec.Clock)
	rows := []string{"signal\tunit\tsamples\tstep\ttime"}
	for i, s := range rec.Signals {
		rows = append(rows, fmt.Sprintf("%s\t%s\t%d\t%s\t%s", strings.TrimPrefix(s.Path, j1979.Prefix), orDash(s.Unit), counts[i], orUnknown(s.Resolution), timeText(rec.Clock, s.TimeUncertaintyUS)))
	}
	table(b, rows)
	if len(rec.Skipped) == 0 {
		b.WriteString("\nNothing was left out.\n")
		return
	}
	b.WriteString("\nNot used:\n")
	rows = []string{"column\theader\tcount\tfirst line\twhy"}
	for _, s := range rec.Skipped {
		column, header := strconv.Itoa(s.Column), s.Header
		if s.Column == 0 {
			column, header = "–", "whole rows"
		}
		rows = append(rows, fmt.Sprintf("%s\t%s\t%d\t%d\t%s", column, printable(header), s.Count, s.FirstLine, printable(s.Reason)))
	}
	table(b, rows)
}

// table lays rows out whose cells are separated by tabs.
func table(b *bytes.Buffer, rows []string) {
	w := tabwriter.NewWriter(b, 0, 0, 2, ' ', 0)
	_, _ = w.Write([]byte(strings.Join(rows, "\n") + "\n"))
	_ = w.Flush()
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

func orUnknown(x float64) string {
	if x == 0 {
		return "unknown"
	}
	return strconv.FormatFloat(x, 'g', 4, 64)
}

func timeText(clock recording.ClockKind, us int64) string {
	switch {
	case clock == recording.ClockRowOrder:
		return "order of rows only"
	case us == 0:
		return "unknown"
	}
	return fmt.Sprintf("±%.3f s", float64(us)/1e6)
}

// answer is how a user names choice k of question i.
func answer(i, k int) string { return fmt.Sprintf("%d%c", i+1, 'a'+rune(k%26)) }

// exampleAnswers answers every open question with its first choice.
func exampleAnswers(p *recording.Proposal) string {
	var all []string
	for i, a := range p.Ambiguities {
		if a.Chosen < 0 {
			all = append(all, answer(i, 0))
		}
	}
	return strings.Join(all, ",")
}

func (m *mappingFlags) answer(p *recording.Proposal) error {
	for _, text := range m.choose {
		i, k, ok := parseAnswer(p, text)
		if !ok {
			return &usageError{command: "mapping", text: fmt.Sprintf("--choose %q answers no question of this file; %s", text, possible(p))}
		}
		if err := p.Choose(i, k); err != nil {
			return fmt.Errorf("answering question %d: %w", i+1, err)
		}
	}
	return nil
}

func parseAnswer(p *recording.Proposal, text string) (question, choice int, ok bool) {
	for i, a := range p.Ambiguities {
		for k := range a.Choices {
			if text == answer(i, k) {
				return i, k, true
			}
		}
	}
	return 0, 0, false
}

func possible(p *recording.Proposal) string {
	if len(p.Ambiguities) == 0 {
		return "it leaves nothing open"
	}
	var all []string
	for i, a := range p.Ambiguities {
		all = append(all, answer(i, 0)+" to "+answer(i, len(a.Choices)-1))
	}
	return "expected " + strings.Join(all, ", ")
}

// save writes the mapping to the file asked for, whole or not at all.
func (m *mappingFlags) save(t *streams, o *opened, mapping *recording.Mapping) error {
	if m.write == "" {
		return nil
	}
	var b bytes.Buffer
	if err := recording.WriteMapping(&b, mapping); err != nil {
		return fmt.Errorf("writing the mapping: %w", err)
	}
	if err := m.mayReplace(b.Bytes()); err != nil {
		return err
	}
	if err := replaceFile(m.write, b.Bytes()); err != nil {
		return &refusal{fmt.Sprintf("%s: the mapping cannot be written: %v; name a file in a folder that you may write to", m.write, err)}
	}
	t.notef("the mapping is written to %s; use it with: %s assay --mapping %s %s", m.write, program, shellWord(m.write), shellWord(o.path))
	return nil
}

// mayReplace protects whatever is there already, above all the recording and a mapping that was corrected by hand.
func (m *mappingFlags) mayReplace(with []byte) error {
	info, err := os.Stat(m.write)
	switch {
	case errors.Is(err, fs.ErrNotExist), err == nil && info.Mode().IsRegular() && info.Size() == 0:
		return nil
	case err == nil && info.Mode().IsRegular():
		if _, err := readMapping(m.write); err != nil {
			break
		}
		if there, err := os.ReadFile(m.write); err == nil && bytes.Equal(there, with) {
			return nil
		}
		return &refusal{m.write + ": this holds another mapping, perhaps one corrected by hand; it is not overwritten; name another file, or remove this one first"}
	}
	return &refusal{m.write + ": this exists and is not a mapping; it is not overwritten; name another file"}
}

// replaceFile puts data in the place of path at once.
func replaceFile(path string, data []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	const mode = 0o644
	_, err = f.Write(data)
	if err := errors.Join(err, f.Chmod(mode), f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
