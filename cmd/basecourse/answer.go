package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"basecourse/internal/store"
)

// answerForm is how an answer of the analysis is printed.
type answerForm struct {
	Format string `enum:"text,json,csv" default:"text" help:"text, json or csv."`
	asOf
}

// print asks for an answer and writes it: its JSON as it stands, or what table or
// text make of it.
func (f answerForm) print(a *app, ask func(findingsSource, moments) ([]byte, error), table, text func(io.Writer, []byte) error) error {
	m, err := f.read(time.Now())
	if err != nil {
		return err
	}
	return a.withStore(false, func(st *store.Store) error {
		answer, err := ask(newFindings(st), m)
		if err != nil {
			return err
		}
		switch f.Format {
		case "json":
			_, err = a.stdout.Write(answer)
			return err
		case "csv":
			return table(a.stdout, answer)
		default:
			return text(a.stdout, answer)
		}
	})
}

// listCSV writes the objects of an answer's list as CSV, a column a field.
func listCSV(list string, fields []string) func(io.Writer, []byte) error {
	return func(w io.Writer, answer []byte) error {
		var all map[string]json.RawMessage
		if err := json.Unmarshal(answer, &all); err != nil {
			return fmt.Errorf("answer: %w", err)
		}
		var items []map[string]json.RawMessage
		if err := json.Unmarshal(all[list], &items); err != nil {
			return fmt.Errorf("answer, %s: %w", list, err)
		}
		return answerCSV(w, fields, items)
	}
}

// answerCSV writes the objects of an answer as CSV. Values are taken as they
// stand in the answer, so both say the same to the digit; null is empty.
func answerCSV(w io.Writer, fields []string, items []map[string]json.RawMessage) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true // RFC 4180, as the bundle
	if err := out.Write(fields); err != nil {
		return err
	}
	for _, f := range items {
		row := make([]string, len(fields))
		for i, name := range fields {
			raw := string(f[name])
			switch {
			case raw == "null":
			case strings.HasPrefix(raw, `"`):
				if err := json.Unmarshal(f[name], &row[i]); err != nil {
					return fmt.Errorf("answer: %w", err)
				}
			default:
				row[i] = raw
			}
		}
		if err := out.Write(row); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}
