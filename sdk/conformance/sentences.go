// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

// Sentence is one numbered sentence that an adapter keeps.
type Sentence struct {
	// Number names it.
	Number string `json:"number"`
	// Text is the sentence.
	Text string `json:"text"`
}

// Sentences lists what the checks cite: how a host starts an adapter (H), the errors (E) and the forms of messages (M),
// which adapter.proto says without numbers, and its numbered sentences, letter by letter as there.
func Sentences() []Sentence {
	return []Sentence{
		{"H1", "Started without the cookie, an adapter says what it is and exits."},
		{"H2", "Of the protocol versions that the host offers, the adapter takes the newest that it knows and ignores the others."},
		{"H3", "Where PLUGIN_CLIENT_CERT is set the adapter serves mutual TLS: the handshake's sixth field is its certificate, and it refuses whoever does not prove to hold the key of the host's certificate."},
		{"H4", "The adapter listens on a Unix socket in the folder that PLUGIN_UNIX_SOCKET_DIR names, or on TCP at a loopback address."},
		{"H5", "The health service reports the name plugin as SERVING."},
		{"H6", "Each line on standard error is one JSON object with the keys @level (debug, info, warn or error), @message and @timestamp (RFC 3339), shorter than 64 KiB."},
		{"E1", "An error is a google.rpc.Status with one google.rpc.ErrorInfo of the domain adapter.airassay.dev, whose reason is the name of an AdapterErrorReason without its prefix."},
		{"M1", "DescribeResponse has the form that its comments give."},
		{"M2", "Device has the form that its comments give."},
		{"M3", "OpenDeviceResponse has the form that its comments give."},
		{"M4", "FeedResponse and what it holds have the form that their comments give."},
		{"C1", "The adapter prints nothing on standard output but the one line of the handshake."},
		{"C2", "It serves within 10 seconds of its start."},
		{"C3", "Every call observes its deadline and its cancellation within 1 second."},
		{"C4", "A call that fails changes nothing."},
		{"C5", "Unknown fields in a request are ignored."},
		{"C6", "The adapter reads no standard input."},
		{"D1", "The answer is the same for the life of the process."},
		{"D2", "Only what is described is offered; an undescribed ability is UNIMPLEMENTED."},
		{"F1", "An unusable configuration is INVALID_ARGUMENT with google.rpc.BadRequest, one violation for each thing that is wrong."},
		{"F2", "With validate_only nothing is changed, whatever the answer."},
		{"F3", "Before the first good Configure, calls on devices are FAILED_PRECONDITION."},
		{"F4", "Configure while a device is open is FAILED_PRECONDITION, unless validate_only."},
		{"L1", "Ids are unique, and a device keeps its id while it stays plugged in."},
		{"L2", "Looking disturbs no open device and sends nothing to a vehicle."},
		{"L3", "No device is an empty list, not an error."},
		{"O1", "An id that was not listed is NOT_FOUND."},
		{"O2", "A device that is open already is FAILED_PRECONDITION (BUSY)."},
		{"O3", "Hardware that is gone is UNAVAILABLE (UNPLUGGED)."},
		{"O4", "On failure the hardware is released."},
		{"X1", "Closing a device that is not open succeeds."},
		{"X2", "Streams of the device end with ABORTED before the answer."},
		{"X3", "After the answer the hardware is released and can be opened again."},
		{"S1", "Batches carry sequences 1, 2, 3 … without a hole."},
		{"S2", "Times do not decrease within a signal, and are those of the adapter's monotonic clock; only where the time source is recorded may they run ahead of it, when the recording is played faster than it was driven."},
		{"S3", "Samples that were lost are marked by a gap in the next batch; nothing is lost in silence."},
		{"S4", "A value is never repeated as new, carried forward or interpolated."},
		{"S5", "Every sample carries the half-width of the interval in which it was taken, itself or by its signal."},
		{"S6", "A slow reader slows the adapter or gets a marked gap; memory stays bounded."},
		{"S7", "A batch is sent at the latest 200 milliseconds after its first sample, and holds at most 4096."},
		{"S8", "A signal that the vehicle lacks is reported as unsupported in the answer to the subscription, and does not end the feed."},
		{"S9", "A change of what is wanted takes effect without a new stream and without a new sequence."},
		{"S10", "Hardware that goes away ends the stream with UNAVAILABLE (UNPLUGGED); a vehicle that falls silent does not, it is reported as a link state and a gap."},
		{"S11", "One feed at a time for each device; a second is FAILED_PRECONDITION (BUSY)."},
		{"S12", "Cancelling the stream stops all traffic to the vehicle within 1 second."},
		{"R1", "Only requests that read are sent; any other is PERMISSION_DENIED (NOT_READ_ONLY) and nothing reaches the vehicle."},
		{"R2", "Answers are complete payloads as the control units sent them, service byte first, transport removed."},
		{"R3", "A negative response is an answer, not an error of the call."},
		{"R4", "Nobody answering within the timeout is DEADLINE_EXCEEDED (SILENT)."},
		{"R5", "An answer that breaks the transport's rules is DATA_LOSS (GARBLED), and the next request works."},
		{"R6", "Requests of one device are sent one after the other, in the order of the calls."},
		{"R7", "sent_us and received_us are of the same clock as the times of Feed."},
		{"K1", "When it breaks, the adapter stops all traffic, releases its hardware and exits within 5 seconds."},
		{"K2", "An adapter to which no lifeline is opened within 10 seconds exits."},
		{"K3", "The adapter sends a message at once and then every second."},
		{"Q1", "It closes all devices, ends all streams and answers; then it exits within 2 seconds."},
		{"Q2", "A second Shutdown succeeds."},
	}
}

// sentence gives the text of a number.
func sentence(number string) string {
	for _, s := range Sentences() {
		if s.Number == number {
			return s.Text
		}
	}
	return ""
}
