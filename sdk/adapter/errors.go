// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"slices"
	"strings"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
)

// Domain is the domain of the error details that the SDK sends.
const Domain = "adapter.airassay.dev"

// What may go wrong between an adapter and a vehicle. Wrap them with what is known besides:
//
//	fmt.Errorf("reading from %s: %w", port, adapter.ErrUnplugged)
var (
	// ErrUnplugged says that the cable or the box is gone.
	ErrUnplugged = errors.New("the hardware is gone")
	// ErrSilent says that no control unit answered.
	ErrSilent = errors.New("no control unit answers")
	// ErrGarbled says that what came breaks the transport's rules.
	ErrGarbled = errors.New("what came breaks the transport's rules")
	// ErrUnsupportedSignal says that the vehicle or the adapter lacks the signal.
	ErrUnsupportedSignal = errors.New("the signal is not supported")
	// ErrBusy says that somebody else holds the device.
	ErrBusy = errors.New("the device is taken")
	// ErrNotReadOnly says that a request does more than read.
	ErrNotReadOnly = errors.New("the request does more than read")
	// ErrNoSuchDevice says that no device has the id.
	ErrNoSuchDevice = errors.New("there is no such device")
)

// NegativeResponseError says that a control unit refused a request. From Request it becomes an answer, as the contract
// asks; in Signal.Err it is the reason why a signal cannot be had.
type NegativeResponseError struct {
	// Source is who refused, as the link addresses it.
	Source int64
	// Service is the first byte of what was asked.
	Service byte
	// Code is the negative response code of ISO 14229-1.
	Code byte
}

// Error names service and code.
func (e *NegativeResponseError) Error() string {
	return fmt.Sprintf("control unit %X refuses service %02X with code %02X", e.Source, e.Service, e.Code)
}

// ConfigurationError lists what is wrong with a configuration.
type ConfigurationError struct {
	// Violations has one entry for each thing that is wrong, and is not empty.
	Violations []Violation
}

// Violation is one thing that is wrong with a configuration.
type Violation struct {
	// Field is the path of the field in the JSON, such as port or devices[0].address.
	Field string
	// Problem says what is wrong, what was expected and what to do.
	Problem string
}

// Error lists all violations.
func (e *ConfigurationError) Error() string {
	return "the configuration cannot be used: " + e.list()
}

func (e *ConfigurationError) list() string {
	parts := make([]string, len(e.Violations))
	for i, v := range e.Violations {
		parts[i] = v.Field + " " + v.Problem
	}
	return strings.Join(parts, "; ")
}

// Violatef adds a violation. It makes a check read as a list:
//
//	var bad adapter.ConfigurationError
//	if c.Port == "" {
//		bad.Violatef("port", "is missing; give the serial port, such as /dev/ttyUSB0")
//	}
//	return bad.OrNil()
func (e *ConfigurationError) Violatef(field, format string, a ...any) {
	e.Violations = append(e.Violations, Violation{Field: field, Problem: fmt.Sprintf(format, a...)})
}

// OrNil is e if anything is wrong, else nil.
func (e *ConfigurationError) OrNil() error {
	if len(e.Violations) == 0 {
		return nil
	}
	return e
}

// Decode reads a configuration into the struct that into points to. What is no JSON, has a field that the struct lacks
// or a value of the wrong type is a *ConfigurationError that names the field and says what would be right.
func Decode(configuration []byte, into any) error {
	d := json.NewDecoder(strings.NewReader(string(configuration)))
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if err == nil {
		if _, err = d.Token(); errors.Is(err, io.EOF) {
			return nil
		}
		err = errors.New("goes on after the object")
	}
	if name, unknown := strings.CutPrefix(err.Error(), "json: unknown field "); unknown {
		return &ConfigurationError{[]Violation{{strings.Trim(name, `"`), "is not known" + listOf(into)}}}
	}
	field := "configuration"
	if wrong, ok := errors.AsType[*json.UnmarshalTypeError](err); ok && wrong.Field != "" {
		field = wrong.Field
	}
	return &ConfigurationError{[]Violation{{field, misfit(err)}}}
}

// listOf names what a configuration may hold, nested fields after those that hold them.
func listOf(into any) string {
	var names []string
	var add func(t reflect.Type)
	seen := map[reflect.Type]bool{}
	add = func(t reflect.Type) {
		for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice || t.Kind() == reflect.Map {
			t = t.Elem()
		}
		if t.Kind() != reflect.Struct || seen[t] {
			return
		}
		seen[t] = true
		for _, f := range reflect.VisibleFields(t) {
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if !f.IsExported() || name == "-" || f.Anonymous && name == "" {
				continue
			}
			if name = cmp.Or(name, f.Name); !slices.Contains(names, name) {
				names = append(names, name)
			}
			add(f.Type)
		}
	}
	if t := reflect.TypeOf(into); t != nil {
		add(t)
	}
	if len(names) == 0 {
		return "; this adapter takes none"
	}
	return "; there are: " + strings.Join(names, ", ")
}

// misfit says what is wrong with a JSON text in an administrator's words.
func misfit(err error) string {
	var syntax *json.SyntaxError
	var wrong *json.UnmarshalTypeError
	switch {
	case errors.As(err, &wrong):
		return fmt.Sprintf("is of the JSON type %s; give %s", wrong.Value, kindOf(wrong.Type))
	case errors.As(err, &syntax):
		return fmt.Sprintf("is no JSON: %v, at byte %d", err, syntax.Offset)
	case errors.Is(err, io.EOF):
		return "is empty; give an object, {} where nothing is to be set"
	case errors.Is(err, io.ErrUnexpectedEOF):
		return "is no JSON: it ends in the middle"
	}
	return err.Error()
}

// kindOf names what JSON can fill a type with.
func kindOf(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return "a whole number"
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return "a whole number that is not negative"
	case reflect.Float32, reflect.Float64:
		return "a number"
	case reflect.Slice, reflect.Array:
		return "a list"
	case reflect.Struct, reflect.Map:
		return "an object"
	}
	return "a string"
}

type reason = adapterv1beta1.AdapterErrorReason

const (
	reasonDefect        = adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_DEFECT
	reasonBusy          = adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_BUSY
	reasonNotConfigured = adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_NOT_CONFIGURED
	reasonBadConfig     = adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_BAD_CONFIGURATION
	reasonNotOpen       = adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_NOT_OPEN
	reasonClosed        = adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_CLOSED
	reasonOverrun       = adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_OVERRUN
	reasonSilent        = adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_SILENT
	reasonGarbled       = adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_GARBLED
	reasonNegative      = adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_NEGATIVE_RESPONSE
)

// kinds maps what an author returns to what the host receives, the first that fits.
var kinds = []struct {
	err    error
	code   codes.Code
	reason reason
}{
	{ErrUnplugged, codes.Unavailable, adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_UNPLUGGED},
	{ErrSilent, codes.DeadlineExceeded, reasonSilent},
	{ErrGarbled, codes.DataLoss, reasonGarbled},
	{ErrUnsupportedSignal, codes.NotFound, adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_UNSUPPORTED_SIGNAL},
	{ErrBusy, codes.FailedPrecondition, reasonBusy},
	{ErrNotReadOnly, codes.PermissionDenied, adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_NOT_READ_ONLY},
	{ErrNoSuchDevice, codes.NotFound, adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_NO_SUCH_DEVICE},
}

// refuse makes an error of the contract.
func refuse(code codes.Code, r reason, format string, a ...any) error {
	return refusal(code, r, fmt.Sprintf(format, a...)).Err()
}

func refusal(code codes.Code, r reason, message string, more ...protoadapt.MessageV1) *status.Status {
	s := status.New(code, message)
	info := &errdetails.ErrorInfo{Domain: Domain, Reason: strings.TrimPrefix(r.String(), "ADAPTER_ERROR_REASON_")}
	if detailed, err := s.WithDetails(append([]protoadapt.MessageV1{info}, more...)...); err == nil {
		return detailed
	}
	return s
}

// ofContract tells the statuses that this package made from those that an author's own calls returned.
func ofContract(s *status.Status) bool {
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == Domain {
			return true
		}
	}
	return false
}

// statusOf maps an error to the contract.
func statusOf(err error) *status.Status {
	var bad *ConfigurationError
	var negative *NegativeResponseError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &bad):
		return refusal(codes.InvalidArgument, reasonBadConfig, err.Error(), badRequest(bad))
	case errors.As(err, &negative):
		return refusal(codes.FailedPrecondition, reasonNegative, err.Error())
	}
	if s, ok := status.FromError(err); ok && ofContract(s) {
		return s
	}
	for _, k := range kinds {
		if errors.Is(err, k.err) {
			return refusal(k.code, k.reason, err.Error())
		}
	}
	switch {
	case errors.Is(err, context.Canceled):
		return status.New(codes.Canceled, err.Error())
	case errors.Is(err, context.DeadlineExceeded):
		return status.New(codes.DeadlineExceeded, err.Error())
	}
	return refusal(codes.Internal, reasonDefect, err.Error())
}

// reasonOf names why samples are missing.
func reasonOf(err error) reason {
	for _, k := range kinds {
		if errors.Is(err, k.err) {
			return k.reason
		}
	}
	return reasonDefect
}

func badRequest(bad *ConfigurationError) *errdetails.BadRequest {
	r := &errdetails.BadRequest{}
	for _, v := range bad.Violations {
		r.FieldViolations = append(r.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: v.Field, Description: v.Problem})
	}
	return r
}
