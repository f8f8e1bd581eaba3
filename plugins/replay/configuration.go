// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/airassay/airassay/sdk/adapter"
)

// maxSpeed is the fastest pace that is kept by waiting; timers are not exact enough for more.
const maxSpeed = 1000

// configuration is what the administrator says.
type configuration struct {
	directory string  // absolute
	speed     float64 // above 0; +Inf for as fast as the host reads
	loop      bool
}

const expectedSpeed = `use a number above 0 and at most 1000, such as 1 for the drive's own pace, or "max" for as fast as the host reads`

// decode reads a configuration and looks at no file.
func decode(text []byte) (configuration, *adapter.ConfigurationError) {
	c, bad := configuration{speed: 1}, &adapter.ConfigurationError{}
	fields, whole := object(text, bad)
	if directory, ok := fields["directory"]; ok {
		c.directory = readDirectory(directory, bad)
	} else if whole {
		bad.Violatef("directory", "is missing; give the absolute path of the folder that holds the recordings")
	}
	if speed, ok := fields["speed"]; ok {
		c.speed = readSpeed(speed, bad)
	}
	if loop, ok := fields["loop"]; ok {
		if json.Unmarshal(loop, &c.loop) != nil || string(loop) == "null" {
			bad.Violatef("loop", "is %s; use true to play each recording again and again, or false", brief(loop))
		}
	}
	return c, bad
}

// object splits a JSON object into its fields, more strictly than encoding/json does: letter case counts, and each field
// comes once. whole says that it could be read to its end.
func object(text []byte, bad *adapter.ConfigurationError) (fields map[string]json.RawMessage, whole bool) {
	d := json.NewDecoder(bytes.NewReader(text))
	fail := func(err error) {
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		bad.Violatef("configuration", "is no JSON object, at byte %d: %v; write an object such as {\"directory\": \"/srv/drives\"}", d.InputOffset(), err)
	}
	if open, err := d.Token(); err != nil {
		fail(err)
		return nil, false
	} else if open != json.Delim('{') {
		fail(errors.New("it does not begin with a brace"))
		return nil, false
	}
	fields = map[string]json.RawMessage{}
	for d.More() {
		var value json.RawMessage
		key, err := d.Token()
		if err == nil {
			err = d.Decode(&value)
		}
		if err != nil {
			fail(err)
			return fields, false
		}
		name, _ := key.(string) // the decoder takes nothing else for a key
		addField(fields, name, value, bad)
	}
	if _, err := d.Token(); err != nil {
		fail(err)
		return fields, false
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		fail(errors.New("more follows after the object"))
	}
	return fields, true
}

func addField(fields map[string]json.RawMessage, name string, value json.RawMessage, bad *adapter.ConfigurationError) {
	switch name {
	case "directory", "speed", "loop":
		if _, twice := fields[name]; twice {
			bad.Violatef(name, "stands there twice; remove one")
		}
		fields[name] = value
	default:
		bad.Violatef(shown(name), "is not known; expected directory, speed or loop: check the spelling, or remove it")
	}
}

func readDirectory(value json.RawMessage, bad *adapter.ConfigurationError) string {
	var path string
	switch err := json.Unmarshal(value, &path); {
	case err != nil || string(value) == "null":
		bad.Violatef("directory", "is %s; use a string, the absolute path of the folder that holds the recordings", brief(value))
	case path == "":
		bad.Violatef("directory", "is empty; give the absolute path of the folder that holds the recordings")
	case strings.ContainsRune(path, 0):
		bad.Violatef("directory", "holds a NUL character; give a path as the system writes it")
	case !filepath.IsAbs(path):
		bad.Violatef("directory", "is %s, which depends on where the program was started; give an absolute path", brief(value))
	}
	return path
}

func readSpeed(value json.RawMessage, bad *adapter.ConfigurationError) float64 {
	var word string
	if json.Unmarshal(value, &word) == nil && word == "max" {
		return math.Inf(1)
	}
	var speed float64
	if err := json.Unmarshal(value, &speed); err != nil || !(speed > 0 && speed <= maxSpeed) {
		bad.Violatef("speed", "is %s; %s", brief(value), expectedSpeed)
		return 1
	}
	return speed
}

// checkDirectory says why the folder cannot be read; nil if it can.
func checkDirectory(path string) error {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return errors.New("does not exist; make it, or correct the path")
	case err != nil:
		return fmt.Errorf("cannot be reached: %w; let the user who runs this program in", reasonOnly(err))
	case !info.IsDir():
		return errors.New("is no folder; name the folder that holds the recordings, not one of them")
	}
	if err := readable(path); err != nil {
		return fmt.Errorf("cannot be read: %w; let the user who runs this program list and open what is in it", reasonOnly(err))
	}
	return nil
}

func readable(path string) error {
	root, err := os.OpenRoot(path)
	if err != nil {
		return err
	}
	defer closeRead(root)
	d, err := root.Open(".")
	if err != nil {
		return err
	}
	defer closeRead(d)
	if _, err = d.Readdirnames(1); errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// reasonOnly leaves the path out of an error that has one.
func reasonOnly(err error) error {
	if path, ok := errors.AsType[*fs.PathError](err); ok {
		return path.Err
	}
	return err
}

// maxShown is how much of a wrong text is repeated.
const maxShown = 60

func brief(value json.RawMessage) string {
	if len(value) > maxShown {
		return strings.ToValidUTF8(string(value[:maxShown]), "") + "…"
	}
	return string(value)
}
