// Package migrations holds the schema as numbered pairs of SQL files. Each file
// runs in one transaction and its last statement writes its number to (or, down,
// removes it from) schema_done, the table by which a start after a crash knows
// whether the file went in whole.
package migrations

import "embed"

// FS is the migrations, NNNNNN_name.up.sql and NNNNNN_name.down.sql.
//
//go:embed *.sql
var FS embed.FS

// Latest is the number of the newest migration: the schema this program needs.
const Latest = 2
