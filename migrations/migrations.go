// Package migrations holds the schema as numbered pairs of SQL files. Each file
// runs in one transaction and its last statement writes its number to (or, down,
// removes it from) schema_done, the table by which a start after a crash knows
// whether the file went in whole.
package migrations

import (
	"embed"
	"slices"
	"strconv"
)

// FS is the migrations, NNNNNN_name.up.sql and NNNNNN_name.down.sql.
//
//go:embed *.sql
var FS embed.FS

// Numbers lists the numbers of the migrations, lowest first; there may be gaps.
var Numbers = numbers()

// Latest is the number of the newest migration: the schema this program needs.
var Latest = Numbers[len(Numbers)-1]

func numbers() []int {
	files, err := FS.ReadDir(".")
	if err != nil {
		panic(err) // embedded: cannot be missing
	}
	var list []int
	for _, f := range files {
		if n, err := strconv.Atoi(f.Name()[:6]); err == nil {
			list = append(list, n)
		}
	}
	slices.Sort(list)
	return slices.Compact(list)
}
