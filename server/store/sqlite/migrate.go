// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package sqlite

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
	"strconv"
	"strings"

	"github.com/airassay/airassay/server/store"
)

// A released migration is never edited: stores in the field have run it as it
// was. A change of the schema is a new file with the next number.
//
//go:embed migrations/*.sql
var migrationFiles embed.FS

// applicationID marks the file as ours ("AIRA" in ASCII), so that another
// program's database is refused instead of being migrated.
const applicationID = 0x41495241

// migrations gives the text of each migration; the one at index 0 leads to
// schema version 1.
func migrations() ([]string, error) {
	names, err := fs.Glob(migrationFiles, "migrations/*.sql")
	if err != nil {
		return nil, err
	}
	texts := make([]string, len(names))
	for i, name := range names {
		number, _, _ := strings.Cut(strings.TrimPrefix(name, "migrations/"), "_")
		if n, err := strconv.Atoi(number); err != nil || n != i+1 {
			return nil, fmt.Errorf("%s: expected number %04d", name, i+1)
		}
		text, err := fs.ReadFile(migrationFiles, name)
		if err != nil {
			return nil, err
		}
		texts[i] = string(text)
	}
	return texts, nil
}

// migrate brings the schema up to date, one transaction a step.
func migrate(ctx context.Context, conn *sql.Conn, steps []string) error {
	version, err := schemaVersion(ctx, conn)
	if err != nil {
		return err
	}
	if version > len(steps) {
		return fmt.Errorf("schema version is %d, this release knows up to %d; use the newer release, or restore a copy made before the upgrade: %w",
			version, len(steps), store.ErrNewer)
	}
	for i := version; i < len(steps); i++ {
		if err := migrateOnce(ctx, conn, i+1, steps[i]); err != nil {
			return fmt.Errorf("migrate to schema version %d: %w", i+1, err)
		}
	}
	return nil
}

func migrateOnce(ctx context.Context, conn *sql.Conn, version int, text string) error {
	script := fmt.Sprintf("BEGIN IMMEDIATE;\n%s\n;PRAGMA application_id = %d; PRAGMA user_version = %d; COMMIT;",
		text, applicationID, version)
	if _, err := conn.ExecContext(ctx, script); err != nil {
		_, _ = conn.ExecContext(context.WithoutCancel(ctx), "ROLLBACK") // Fails where SQLite has rolled back already.
		return err
	}
	return nil
}

// schemaVersion reads the version of the schema, 0 for a new file, and refuses
// a file that is not ours.
func schemaVersion(ctx context.Context, conn *sql.Conn) (int, error) {
	var application, version, tables int
	row := conn.QueryRowContext(ctx, `SELECT
		(SELECT application_id FROM pragma_application_id),
		(SELECT user_version FROM pragma_user_version),
		(SELECT count(*) FROM sqlite_schema)`)
	if err := row.Scan(&application, &version, &tables); err != nil {
		return 0, err
	}
	isNew := application == 0 && version == 0 && tables == 0
	if !isNew && application != applicationID {
		return 0, fmt.Errorf("the file is a database of another program; move it away or choose another data directory: %w", store.ErrCorrupt)
	}
	if version < 0 {
		return 0, fmt.Errorf("schema version is %d, which no release writes; restore a copy of the data directory: %w", version, store.ErrCorrupt)
	}
	return version, nil
}
