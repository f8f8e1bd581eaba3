// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import "fmt"

// ReadData gives the data bytes of one parameter that was asked for alone: for those that are no signal. They belong to
// the answer. The error is a *NegativeError or a *DecodeError.
func (c *Coding) ReadData(pid byte, answer []byte) ([]byte, error) {
	asked := [1]byte{pid}
	w, err := c.walk(asked[:], answer)
	if err != nil {
		return nil, err
	}
	_, data, err := w.next()
	if err == nil && !w.done() {
		err = wrong(w.what, w.at, "nothing more", "% X", answer[w.at:])
	}
	if err != nil {
		return nil, err
	}
	return data, nil
}

// MonitorStatus is what parameters 01 and 41 say.
type MonitorStatus struct {
	// Lamp tells that the malfunction lamp is lit, and Codes how many confirmed codes there are; both of parameter 01 only.
	Lamp  bool
	Codes int
	// Compression tells an engine with compression ignition.
	Compression bool
	// Monitors are those that the control unit has.
	Monitors []Readiness
}

// Readiness is a monitor and whether it has run: since codes were cleared in parameter 01, in this drive in 41.
type Readiness struct {
	// Name in words of our own.
	Name     string
	Complete bool
}

// Names of monitors by their bit, SAE J1979; empty where the bit is reserved.
var (
	continuous  = [3]string{"misfire", "fuel system", "components"}
	spark       = [8]string{"catalyst", "heated catalyst", "tank vapour", "secondary air", "", "oxygen sensors", "oxygen sensor heaters", "exhaust gas recirculation or valve timing"}
	compression = [8]string{"hydrocarbon catalyst", "nitrogen oxides", "", "boost", "", "exhaust sensors", "particle filter", "exhaust gas recirculation or valve timing"}
)

// ReadMonitorStatus reads the answer to parameter 01 or 41, asked for alone.
func (c *Coding) ReadMonitorStatus(pid byte, answer []byte) (MonitorStatus, error) {
	if pid != monitorStatus && pid != monitorsThisDrive {
		return MonitorStatus{}, fmt.Errorf("%w: parameter %02X has no status of monitors; 01 and 41 have", ErrBadRequest, pid)
	}
	data, err := c.ReadData(pid, answer)
	if err != nil {
		return MonitorStatus{}, err
	}
	s := MonitorStatus{Compression: data[1]&0x08 != 0}
	if pid == monitorStatus {
		s.Lamp, s.Codes = data[0]&^countMask != 0, int(data[0]&countMask)
	}
	for i, name := range continuous {
		s.add(name, data[1]>>i, data[1]>>(i+4))
	}
	names := &spark
	if s.Compression {
		names = &compression
	}
	for i, name := range names {
		s.add(name, data[2]>>i, data[3]>>i)
	}
	return s, nil
}

// add takes a monitor in, of which the lowest bits say whether there is one and whether it is still to run.
func (s *MonitorStatus) add(name string, present, incomplete byte) {
	if name != "" && present&1 != 0 {
		s.Monitors = append(s.Monitors, Readiness{name, incomplete&1 == 0})
	}
}

// AppendIdentifierRequest appends the payload that asks for one identifier of ISO 14229-1 as it is, such as one of F5xx,
// for which there are no signals.
func AppendIdentifierRequest(dst []byte, id uint16) []byte {
	return append(dst, dataByID, byte(id>>8), byte(id))
}

// ReadIdentifier gives the data bytes of the answer to AppendIdentifierRequest, which may be none. They belong to the answer.
// The error is a *NegativeError or a *DecodeError.
func ReadIdentifier(id uint16, answer []byte) ([]byte, error) {
	rest, _, err := identified("the answer of service 22", byte(id>>8), byte(id), answer)
	return rest, err
}
