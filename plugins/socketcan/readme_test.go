// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/airassay/airassay/plugins/socketcan/socket"
	"github.com/airassay/airassay/sdk/j1939"
	"github.com/airassay/airassay/sdk/poll"
)

func TestReadmeShowsWhatIsRefused(t *testing.T) {
	page, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	text := string(page)
	blocks := strings.Split(text, "```json\n")[1:]
	if len(blocks) < 3 {
		t.Errorf("the page shows %d configurations", len(blocks))
	}
	for _, block := range blocks {
		block, _, _ = strings.Cut(block, "```")
		if _, err := decode([]byte(block)); err != nil {
			t.Errorf("%s: %v", block, err)
		}
	}
	board, usb := uncertainty(&socket.Interface{}), uncertainty(&socket.Interface{Bus: "usb"})
	wants := []string{
		fmt.Sprintf("±%.2f ms, ±%.2f ms over USB", board.Seconds()*1000, usb.Seconds()*1000),
		fmt.Sprintf("at most %d |", maxMaxRequests), fmt.Sprintf("| %d |", poll.DefaultMaxRequestsPerS), fmt.Sprint(j1939.ActiveCodes),
		(&socket.Interface{Name: "can0", Kind: "can"}).UpCommand(0),
	}
	for _, pgn := range j1939.Groups() {
		wants = append(wants, fmt.Sprint(pgn))
	}
	for _, want := range wants {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}
