// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import "fmt"

// Kind is a list of trouble codes that a control unit keeps.
type Kind uint8

const (
	// Confirmed codes light the lamp.
	Confirmed Kind = iota
	// Pending codes are of a fault that was seen in this drive cycle or the last.
	Pending
	// Permanent codes stay until the control unit itself has seen the repair.
	Permanent
)

// String is a word.
func (k Kind) String() string {
	switch k {
	case Pending:
		return "pending"
	case Permanent:
		return "permanent"
	default:
		return "confirmed"
	}
}

const (
	codeReports = 0x19 // ISO 14229-1

	// Sub-functions of codeReports, ISO 14229-1.
	reportByMask      = 0x02
	reportFrozen      = 0x04
	reportSupported   = 0x0A
	reportEmissions   = 0x42
	reportPermanent   = 0x55
	reportByReadiness = 0x56

	// emissionsGroup is the functional group of emissions, ISO 14229-1 Annex D.
	emissionsGroup = 0x33
	// allClasses is a severity mask that takes in the classes 1 to 4 of emission codes, ISO 14229-1 Annex D.
	allClasses = 0x1E

	pendingMask, confirmedMask = 0x04, 0x08
)

// service is that of SAE J1979 for a list.
func (k Kind) service() byte {
	switch k {
	case Pending:
		return 0x07
	case Permanent:
		return 0x0A
	default:
		return 0x03
	}
}

// AppendFaultRequest appends the payload that asks for trouble codes: 03, 07 or 0A, or the reports for emissions of
// SAE J1979-2.
func (d Dialect) AppendFaultRequest(dst []byte, kind Kind) []byte {
	if d == Classic {
		return append(dst, kind.service())
	}
	switch kind {
	case Permanent:
		return append(dst, codeReports, reportPermanent, emissionsGroup)
	case Pending:
		return append(dst, codeReports, reportEmissions, emissionsGroup, pendingMask, allClasses)
	default:
		return append(dst, codeReports, reportEmissions, emissionsGroup, confirmedMask, allClasses)
	}
}

// AppendReportRequest appends the payload that asks over UDS for codes by status alone, for a control unit that does not
// know emission reports: service 19, sub-function 02. Permanent codes cannot be asked for in this way, and read as
// confirmed.
func AppendReportRequest(dst []byte, kind Kind) []byte {
	if kind == Pending {
		return append(dst, codeReports, reportByMask, pendingMask)
	}
	return append(dst, codeReports, reportByMask, confirmedMask)
}

// ReadFaults appends to dst the codes in an answer to AppendFaultRequest or AppendReportRequest. On CAN a byte that counts
// the codes comes first, on older links not: the parity of the length tells which. Padding, 0000, is left out.
//
// The error is a *NegativeError or a *DecodeError; dst is then returned as it was. Nothing is allocated where dst has
// room and there is no error.
func (d Dialect) ReadFaults(dst []Fault, kind Kind, answer []byte) ([]Fault, error) {
	if d == UDS {
		return readReport(dst, answer)
	}
	const what = "the answer with trouble codes"
	rest, err := head(what, answer, kind.service())
	if err != nil {
		return dst, err
	}
	at, codes := 1, len(rest)/2
	if len(rest)%2 == 1 {
		at, codes = 2, int(rest[0])
	}
	switch {
	case len(rest) == 0:
		return dst, wrong(what, 1, "a count, or codes of two bytes", "nothing")
	case len(answer)-at < 2*codes:
		return dst, wrong(what, 1, fmt.Sprintf("a count of %d at most", (len(answer)-at)/2), "%d", codes)
	}
	out := dst
	for i := range (len(answer) - at) / 2 {
		code := DTC(answer[at+2*i])<<8 | DTC(answer[at+2*i+1])
		switch {
		case code == 0:
		case i >= codes:
			return dst, wrong(what, at+2*i, fmt.Sprintf("padding after %d codes", codes), "%v", code)
		default:
			out = append(out, Fault{Code: code})
		}
	}
	return out, nil
}

// layout of a report: where its records begin, and what they hold.
type layout struct {
	what     string
	header   int // bytes before the first record
	format   int // position of the format identifier; 0 for none
	severity bool
}

var reports = map[byte]layout{
	reportByMask:      {what: "the report 19 02", header: 3},
	reportSupported:   {what: "the report 19 0A", header: 3},
	reportEmissions:   {what: "the report 19 42", header: 6, format: 5, severity: true},
	reportPermanent:   {what: "the report 19 55", header: 5, format: 4},
	reportByReadiness: {what: "the report 19 56", header: 6, format: 4},
}

// ReadReport appends to dst the codes in an answer to service 19 with sub-function 02, 0A, 42, 55 or 56. Errors are those
// of ReadFaults.
func ReadReport(dst []Fault, answer []byte) ([]Fault, error) { return readReport(dst, answer) }

func readReport(dst []Fault, answer []byte) ([]Fault, error) {
	const what = "the answer of service 19"
	rest, err := head(what, answer, codeReports)
	if err != nil {
		return dst, err
	}
	if len(rest) == 0 {
		return dst, wrong(what, 1, "a sub-function", "nothing")
	}
	l, ok := reports[rest[0]]
	if !ok {
		return dst, wrong(what, 1, "sub-function 02, 0A, 42, 55 or 56", "%02X", rest[0])
	}
	if err := l.check(answer); err != nil {
		return dst, err
	}
	format := FormatTyped // where the report does not say
	if l.format > 0 {
		format = Format(answer[l.format])
	}
	out := dst
	for at := l.header; at < len(answer); at += l.record() {
		out = append(out, l.fault(answer[at:], format))
	}
	return out, nil
}

func (l *layout) check(answer []byte) error {
	if n := len(answer) - l.header; n < 0 || n%l.record() != 0 {
		return wrong(l.what, len(answer), fmt.Sprintf("%d bytes and records of %d", l.header, l.record()), "%d bytes", len(answer))
	}
	if l.format > 0 && answer[2] != emissionsGroup {
		return wrong(l.what, 2, fmt.Sprintf("functional group %02X", emissionsGroup), "%02X", answer[2])
	}
	return nil
}

func (l *layout) record() int {
	if l.severity {
		return 5
	}
	return 4
}

func (l *layout) fault(record []byte, format Format) Fault {
	f := Fault{Format: format}
	if l.severity {
		f.Severity, record = record[0], record[1:]
	}
	f.Code, f.Type, f.Status = DTC(record[0])<<8|DTC(record[1]), record[2], Status(record[3])
	return f
}

// AppendFaultAnswer appends the answer to AppendFaultRequest as a control unit gives it on CAN or over UDS; it is the
// inverse of ReadFaults. SAE J1979 has room for 255 codes; further ones are left out. available are the bits of the
// status that a control unit over UDS supports; format is that of all codes.
func (d Dialect) AppendFaultAnswer(dst []byte, kind Kind, available Status, format Format, faults ...Fault) []byte {
	if d == Classic {
		faults = faults[:min(len(faults), 0xFF)]
		dst = append(dst, kind.service()+positive, byte(len(faults)))
		for _, f := range faults {
			dst = append(dst, byte(f.Code>>8), byte(f.Code))
		}
		return dst
	}
	if kind == Permanent {
		dst = append(dst, codeReports+positive, reportPermanent, emissionsGroup, byte(available), byte(format))
	} else {
		dst = append(dst, codeReports+positive, reportEmissions, emissionsGroup, byte(available), allClasses, byte(format))
	}
	for _, f := range faults {
		if kind != Permanent {
			dst = append(dst, f.Severity)
		}
		dst = append(dst, byte(f.Code>>8), byte(f.Code), f.Type, byte(f.Status))
	}
	return dst
}
