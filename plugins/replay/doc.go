// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package replay is the adapter that plays recordings of drives as if a car delivered them. Each recording in one folder,
// which the administrator's configuration names, is a device; a caller chooses among them and can name no other file.
//
// A recording is played with the distances between its samples as they stand in the file, to the microsecond, at its own
// pace or another. Nothing is repeated, carried forward or interpolated.
//
// # Position
//
// A device plays from the first sample when it is opened. It stands still while no feed runs and while nothing is wanted
// that the recording holds, and goes on from there: pausing loses nothing of a recording. The pause is marked as a
// gap, because the times go on by the adapter's clock. What had been sent when a feed ended is not sent again, read or not.
// A device that was closed, by its host or with the process, plays from the first sample again.
//
// # Errors
//
// A file that is gone, or cannot be read to its end, is UNPLUGGED; so is a feed whose file goes away, as if a cable had been
// pulled. Content that breaks the format is GARBLED, with line,
// column, what was expected and what to do. What is sound and still cannot be played until the administrator does
// something, such as stating how another logger's file is to be read, is BAD_CONFIGURATION: the folder's content is part
// of the configuration, and its mappings are. So is a file that has no clock. When the open recordings fill the memory
// that is set aside, the next one is BUSY until one is closed.
package replay
