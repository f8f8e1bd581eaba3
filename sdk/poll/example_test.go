// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll_test

import (
	"context"
	"fmt"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/poll"
)

// cable is a box that carries one request and brings what comes back. A real one writes to a port; behind this one sits an
// engine at 2000 rpm that takes 18.5 g of air a second.
type cable struct{}

func (cable) Request(_ context.Context, r adapter.Request) (adapter.Answers, error) {
	sent := adapter.Now()
	time.Sleep(2 * time.Millisecond)
	payload := []byte{r.Payload[0] + 0x40}
	for _, pid := range r.Payload[1:] {
		switch pid {
		case 0x00: // what is supported: 0C and 10
			payload = append(payload, pid, 0x00, 0x11, 0x00, 0x00)
		case 0x0C:
			payload = append(payload, pid, 0x1F, 0x40)
		case 0x10:
			payload = append(payload, pid, 0x07, 0x3A)
		}
	}
	return adapter.Answers{Sent: sent, Answers: []adapter.Answer{{Source: 0x7E8, Payload: payload, Received: adapter.Now()}}}, nil
}

func (cable) Close() error { return nil }

// conn is all that an adapter's Open has to return for such a box.
type conn struct {
	*poll.Feeder // Signals and Feed
	*poll.Line   // Request and Close
}

func open() conn {
	line := poll.Share(cable{})
	return conn{poll.Over(line, poll.LinkOptions{}), line}
}

var _ interface {
	adapter.Conn
	adapter.Feeder
	adapter.Linker
} = conn{}

func ExampleOver() {
	c := open()
	signals, err := c.Signals(context.Background(), []adapter.Wanted{{Path: "Vehicle.OBD.MAF"}, {Path: "Vehicle.OBD.MAP"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, s := range signals {
		fmt.Println(s.Path, s.Unit, s.Err)
	}
	ctx, stop := context.WithCancel(context.Background())
	_ = c.Run(ctx, &printer{stop: stop}) // an adapter is asked for Feed instead
	// Output:
	// Vehicle.OBD.MAF g/s <nil>
	// Vehicle.OBD.MAP  no control unit supports parameter 0B: the signal is not supported
	// Vehicle.OBD.EngineSpeed 2000
	// Vehicle.OBD.MAF 18.5
}

// printer prints the first answer.
type printer struct{ stop context.CancelFunc }

func (p *printer) Wanted() ([]adapter.Wanted, <-chan struct{}) {
	return []adapter.Wanted{{Path: "Vehicle.OBD.EngineSpeed", Group: 1}, {Path: "Vehicle.OBD.MAF", Group: 1}}, nil
}

func (p *printer) Send(samples ...adapter.Sample) error {
	for _, s := range samples {
		fmt.Println(s.Path, s.Value)
	}
	p.stop()
	return nil
}
