// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

const (
	// silentTimeout is how long the kit lets a request wait for an answer that will not come.
	silentTimeout = 300 * time.Millisecond
	// refusedByMost is a request that reads a data identifier which no vehicle is known to have.
	refusedByMost = "\x22\xF4\xFE"
)

func linkChecks() []check {
	return []check{
		{Item: link("R1", "requests that do more than read are refused", "R1"), needs: needDevice, counts: true, run: readsOnly},
		{Item: link("R1-all", "requests that would change a vehicle are refused", "R1").needing("that no vehicle is attached which could be hurt"), needs: needDevice, counts: true, lacks: lacksBench, run: changesNothing},
		{Item: link("R2", "answers are whole payloads", "R2"), needs: needDevice, run: wholeAnswers},
		{Item: link("R3", "a negative response is an answer", "R3"), needs: needDevice, run: negativeIsAnswer},
		{Item: link("R4", "silence is told as such", "R4").needing("a request that nobody answers"), needs: needDevice, lacks: lacksSilent, run: silenceIsTold},
		{Item: link("R5", "a garbled answer is told as such", "R5").needing("a request whose answer is garbled"), needs: needDevice, lacks: lacksGarbled, run: garbledIsTold},
		{Item: link("R6", "requests are sent one by one, in order", "R6"), needs: needDevice, run: oneByOne},
		{Item: link("R7", "times of requests are of the adapter's clock", "R7"), needs: needDevice, run: requestTimes},
	}
}

// harmless lists requests that the contract refuses and on which no control unit acts: what reads something else, and
// what is no request.
func harmless() [][]byte {
	return [][]byte{
		{0x22, 0xF1, 0x90}, {0x22, 0xF4, 0x0C, 0xF1, 0x90}, {0x22, 0xF4}, {0x01}, {0x41, 0x0C}, {0x3E, 0x01}, {0x0F, 0x00}, {0x19, 0x80}, {},
	}
}

// harmful lists requests that write, clear, unlock, control or reset, by their service of SAE J1979 or ISO 14229-1.
func harmful() [][]byte {
	return [][]byte{
		{0x04}, {0x08, 0x01}, {0x10, 0x02}, {0x10, 0x03}, {0x11, 0x01}, {0x14, 0xFF, 0xFF, 0xFF}, {0x23, 0x11, 0x00, 0x01}, {0x27, 0x01},
		{0x28, 0x03, 0x01}, {0x29, 0x01}, {0x2A, 0x01, 0xF4}, {0x2C, 0x01, 0xF2, 0x00}, {0x2E, 0xF4, 0x0C, 0x00}, {0x2F, 0xF4, 0x0C, 0x03},
		{0x31, 0x01, 0x02, 0x03}, {0x34, 0x00, 0x11}, {0x35, 0x00, 0x11}, {0x36, 0x01}, {0x37}, {0x38, 0x01}, {0x3D, 0x11, 0x00, 0x01, 0x00},
		{0x83, 0x01}, {0x84, 0x00}, {0x85, 0x02}, {0x86, 0x00}, {0x87, 0x01},
	}
}

func lacksBench(k *kit) string {
	if !k.o.NoVehicle {
		return "a broken adapter could change the vehicle; run against a simulated vehicle and say so (NoVehicle, --no-vehicle)"
	}
	return ""
}

func lacksSilent(k *kit) string {
	if len(k.o.Requests.Silent.Payload) == 0 {
		return "no request is known that nobody answers (Requests.Silent, --silent)"
	}
	return ""
}

func lacksGarbled(k *kit) string {
	if len(k.o.Requests.Garbled.Payload) == 0 {
		return "no request is known whose answer is garbled (Requests.Garbled, --garbled)"
	}
	return ""
}

func readsOnly(ctx context.Context, b *bench) error { return b.refusesAll(ctx, harmless()) }

func changesNothing(ctx context.Context, b *bench) error { return b.refusesAll(ctx, harmful()) }

// refusesAll stops at the first request that is not refused, so that a broken adapter sends no more of them.
func (b *bench) refusesAll(ctx context.Context, payloads [][]byte) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "compare each request with the list of what may be read before it is sent: services, sub-functions and identifiers of the read-only rule (sdk/j1979)"
	before, quiet, err := b.quietTraffic(ctx)
	if err != nil {
		return err
	}
	for _, payload := range payloads {
		_, err := l.ask(ctx, Request{Payload: payload}, silentTimeout)
		if err := wants(fmt.Sprintf("SendRequest of [% X]", payload), err, codes.PermissionDenied, advice); err != nil {
			return err
		}
	}
	if !quiet {
		return nil
	}
	after, err := b.traffic(ctx)
	if err != nil {
		return err
	}
	if after != before {
		return fails("nothing to reach the vehicle", advice, "%d frames on the bus, though all requests were refused", after-before)
	}
	return nil
}

// quietTraffic counts what was sent to the vehicle, where an open device sends nothing by itself.
func (b *bench) quietTraffic(ctx context.Context) (frames int64, quiet bool, err error) {
	if b.o.Hardware.Traffic == nil {
		b.blindf("that nothing reaches the vehicle: nobody counts the traffic (Hardware.Traffic, --traffic)")
		return 0, false, nil
	}
	before, err := b.traffic(ctx)
	if err != nil {
		return 0, false, err
	}
	time.Sleep(b.limits.slack)
	frames, err = b.traffic(ctx)
	if frames != before {
		b.blindf("that nothing reaches the vehicle: the open device sends by itself")
	}
	return frames, frames == before, err
}

// traffic counts what was sent to the vehicle so far.
func (b *bench) traffic(ctx context.Context) (int64, error) {
	n, err := b.o.Hardware.Traffic(ctx)
	if err != nil {
		return 0, unproven("the traffic cannot be counted: %w", err)
	}
	return n, nil
}

// answered asks what the vehicle answers.
func (b *bench) answered(ctx context.Context, l *life) (*adapterv1beta1.SendRequestResponse, error) {
	answer, err := l.ask(ctx, b.o.Requests.Answered, askTimeout)
	if err != nil {
		return nil, unproven("SendRequest of %s ended with %s: see that the vehicle is on, or name a request that it answers", b.o.Requests.Answered, describe(err))
	}
	return answer, nil
}

func wholeAnswers(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	answer, err := b.answered(ctx, l)
	if err != nil {
		return err
	}
	b.blindf("whether the control unit sent just that: nobody listens on the bus")
	asked := b.o.Requests.Answered.Payload
	const advice = "take away headers, lengths and checksums of the transport, and give the payload as it is, service byte first"
	if len(answer.GetAnswers()) == 0 {
		return fails("at least one answer, or an error", advice, "none")
	}
	for _, a := range answer.GetAnswers() {
		p := a.GetPayload()
		negative := len(p) == 3 && p[0] == 0x7F && p[1] == asked[0]
		if !negative && (len(p) == 0 || p[0] != asked[0]+0x40 || len(asked) > 1 && (len(p) < 2 || p[1] != asked[1])) {
			return fails(fmt.Sprintf("an answer to % X that begins with % X", asked, append([]byte{asked[0] + 0x40}, asked[1:min(2, len(asked))]...)), advice, "[% X]", p)
		}
		// The answer to 01 00 is a bitmap of 32 bits; any other length is not the whole payload.
		if !negative && len(asked) == 2 && asked[0] == 0x01 && asked[1] == 0x00 && len(p) != 6 {
			return fails("6 bytes in the answer to 01 00", advice, "[% X]", p)
		}
	}
	return nil
}

func negativeIsAnswer(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	ask := b.o.Requests.Refused
	named := len(ask.Payload) > 0
	if !named {
		ask.Payload = []byte(refusedByMost)
	}
	const advice = "return the payload 7F … as an answer like any other"
	expected := fmt.Sprintf("the negative response to %s as an answer", ask)
	answer, err := l.ask(ctx, ask, askTimeout)
	reason, _ := reasonOf(err)
	switch {
	case err != nil && (named || reason == "NEGATIVE_RESPONSE"):
		return fails(expected, advice, "%s", describe(err))
	case err == nil && len(answer.GetAnswers()) > 0 && len(answer.GetAnswers()[0].GetPayload()) == 3 && answer.GetAnswers()[0].GetPayload()[0] == 0x7F:
		return nil
	case named:
		return fails(expected, advice, "%v", answer)
	}
	return skip(fmt.Sprintf("the vehicle does not refuse %s, and no request is known that it does (Requests.Refused, --refused)", ask))
}

func silenceIsTold(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "answer DEADLINE_EXCEEDED (SILENT) once the request's timeout is over"
	began := time.Now()
	_, err = l.ask(ctx, b.o.Requests.Silent, silentTimeout)
	took := time.Since(began)
	if err := wants(fmt.Sprintf("SendRequest of %s, which nobody answers,", b.o.Requests.Silent), err, codes.DeadlineExceeded, advice); err != nil {
		return err
	}
	if took > silentTimeout+b.limits.cancel+b.limits.slack {
		return fails(fmt.Sprintf("silence to be told after the timeout of %v", silentTimeout), advice, "that it took %v", took.Round(time.Millisecond))
	}
	return nil
}

func garbledIsTold(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "answer DATA_LOSS (GARBLED), throw away what is left of the answer, and be ready for the next request"
	_, err = l.ask(ctx, b.o.Requests.Garbled, askTimeout)
	if err := wants(fmt.Sprintf("SendRequest of %s, whose answer is garbled,", b.o.Requests.Garbled), err, codes.DataLoss, advice); err != nil {
		return err
	}
	if _, err := l.ask(ctx, b.o.Requests.Answered, askTimeout); err != nil {
		return fails("the next request to be answered", advice, "%s", describe(err))
	}
	return nil
}

func oneByOne(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	if _, err := b.answered(ctx, l); err != nil {
		return err
	}
	const calls = 6
	together, err := b.askAll(ctx, l, calls, 0)
	if err != nil {
		return err
	}
	slices.SortFunc(together, func(x, y *adapterv1beta1.SendRequestResponse) int { return cmp.Compare(x.GetSentUs(), y.GetSentUs()) })
	for i := 1; i < calls; i++ {
		if until := lastAnswer(together[i-1]); together[i].GetSentUs() < until {
			return fails("a request to be sent once the one before has its answers", queueAdvice,
				"one sent at %d µs, while the last answer to the one before came at %d µs", together[i].GetSentUs(), until)
		}
	}
	// What nobody answers holds the others up, so that they have to queue.
	if hold := b.o.Requests.Silent; len(hold.Payload) > 0 {
		var held sync.WaitGroup
		held.Go(func() { _, _ = l.ask(ctx, hold, 2*calls*callSpacing) })
		defer held.Wait()
		time.Sleep(callSpacing)
	}
	queued, err := b.askAll(ctx, l, calls, callSpacing)
	if err != nil {
		return err
	}
	for i := 1; i < calls; i++ {
		if queued[i].GetSentUs() < queued[i-1].GetSentUs() {
			return fails("requests to be sent in the order of the calls", queueAdvice, "call %d sent at %d µs and call %d at %d µs", i, queued[i-1].GetSentUs(), i+1, queued[i].GetSentUs())
		}
	}
	return nil
}

const (
	queueAdvice = "let each device have a queue in which requests wait for their turn, in the order in which they came"
	// callSpacing tells which of two calls came first, also on a busy machine.
	callSpacing = 25 * time.Millisecond
)

// askAll makes calls that overlap. Each is on its way before the next begins.
func (b *bench) askAll(ctx context.Context, l *life, calls int, spacing time.Duration) ([]*adapterv1beta1.SendRequestResponse, error) {
	ctx, cancel := context.WithTimeout(ctx, b.o.CallTimeout)
	defer cancel()
	streams := make([]grpc.ClientStream, calls)
	for i := range streams {
		var err error
		streams[i], err = l.connection.NewStream(ctx, &grpc.StreamDesc{}, adapterv1beta1.AdapterService_SendRequest_FullMethodName)
		if err == nil {
			err = streams[i].SendMsg(l.request(b.o.Requests.Answered, askTimeout))
		}
		if err == nil {
			err = streams[i].CloseSend()
		}
		if err != nil {
			return nil, unproven("SendRequest ended with %s", describe(err))
		}
		time.Sleep(spacing)
	}
	answers := make([]*adapterv1beta1.SendRequestResponse, calls)
	for i, stream := range streams {
		answers[i] = &adapterv1beta1.SendRequestResponse{}
		err := stream.RecvMsg(answers[i])
		switch status.Code(err) {
		case codes.OK:
		case codes.DeadlineExceeded:
			return nil, unproven("request %d of %d at once ended with %s", i+1, calls, describe(err))
		default:
			return nil, fails("requests that come while another is under way to wait for their turn", queueAdvice, "%s", describe(err))
		}
	}
	return answers, nil
}

// lastAnswer says when a request was over.
func lastAnswer(r *adapterv1beta1.SendRequestResponse) int64 {
	until := r.GetSentUs()
	for _, a := range r.GetAnswers() {
		until = max(until, a.GetReceivedUs())
	}
	return until
}

func requestTimes(ctx context.Context, b *bench) error {
	l, opened, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	began := time.Now()
	answer, err := b.answered(ctx, l)
	if err != nil {
		return err
	}
	from, ok := l.clock.at(began)
	to, _ := l.clock.at(time.Now())
	if !ok {
		return unproven("the lifeline told nothing of the adapter's clock")
	}
	const advice = "take the times of requests, samples and lifeline from one monotonic clock"
	sent, slack := answer.GetSentUs(), b.limits.slack.Microseconds()
	played := opened.GetTimeSource() == adapterv1beta1.TimeSource_TIME_SOURCE_RECORDED
	if sent < from-slack || sent > to+slack && !played {
		return fails("sent_us within the call, by the clock that the lifeline tells", advice, "%d µs, while the call lasted from %d to %d µs", sent, from, to)
	}
	for _, a := range answer.GetAnswers() {
		if received := a.GetReceivedUs(); received < sent || received > to+slack && !played {
			return fails("received_us between sent_us and the end of the call", advice, "%d µs, sent at %d µs, the call ended at %d µs", received, sent, to)
		}
	}
	return nil
}
