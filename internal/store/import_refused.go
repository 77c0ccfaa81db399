package store

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"basecourse/internal/fault"
	"basecourse/internal/intake"
)

// refusedBundle writes the rows that were refused, as they stood, under their
// own headers: put right, the folder goes in as a bundle. nil keeps nothing.
type refusedBundle struct {
	dir   string
	files map[int]*refusedFile // by number in the report
	list  []fault.Problem
	total int
	log   bool // of a log: problems.csv too, for people
}

type refusedFile struct {
	file *os.File
	*bufio.Writer
}

// mostRefusedProblems bounds problems.json; the rows themselves are all there.
const mostRefusedProblems = 1_000_000

func newRefusedBundle(opt ImportOptions, log bool) (*refusedBundle, error) {
	if !opt.Partial && !opt.Check || opt.RefusedDir == "" {
		return nil, nil
	}
	if err := os.MkdirAll(opt.RefusedDir, 0o755); err != nil {
		return nil, fault.Wrap(fault.Invalid, err, "the folder for refused rows cannot be made")
	}
	entries, err := os.ReadDir(opt.RefusedDir)
	if err != nil {
		return nil, fault.Wrap(fault.Invalid, err, "the folder for refused rows cannot be read")
	}
	if len(entries) > 0 {
		return nil, fault.New(fault.Invalid, "the folder for refused rows, %s, is not empty: name a new one", opt.RefusedDir)
	}
	return &refusedBundle{dir: opt.RefusedDir, files: map[int]*refusedFile{}, log: log}, nil
}

// open begins a file. All stay open until the end, because some rows are
// refused late.
func (r *refusedBundle) open(number int, name, header string) error {
	if r == nil {
		return nil
	}
	file, err := os.Create(filepath.Join(r.dir, filepath.Base(name)))
	if err != nil {
		return fmt.Errorf("refused rows: %w", err)
	}
	r.files[number] = &refusedFile{file, bufio.NewWriter(file)}
	return r.row(number, header)
}

func (r *refusedBundle) row(number int, raw string) error {
	if r == nil {
		return nil
	}
	out := r.files[number]
	_, err := out.WriteString(raw)
	if err == nil && !strings.HasSuffix(raw, "\n") {
		_, err = out.WriteString("\r\n")
	}
	return err
}

func (r *refusedBundle) problems(list []fault.Problem) {
	if r == nil {
		return
	}
	r.total += len(list)
	if len(r.list) < mostRefusedProblems {
		r.list = append(r.list, list...)
	}
}

func (r *refusedBundle) closeFiles() error {
	var err error
	for n, f := range r.files {
		err = errors.Join(err, f.Flush(), f.file.Close())
		delete(r.files, n)
	}
	return err
}

func (r *refusedBundle) finish(report *Report) error {
	if r == nil {
		return nil
	}
	if err := r.closeFiles(); err != nil {
		return fmt.Errorf("refused rows: %w", err)
	}
	if r.list == nil {
		r.list = []fault.Problem{}
	}
	b, err := json.MarshalIndent(struct {
		Problems []fault.Problem `json:"problems"`
		Total    int             `json:"problems_total"`
	}{r.list, r.total}, "", " ")
	if err != nil {
		return err
	}
	if r.log {
		if err := r.table(); err != nil {
			return err
		}
	}
	return os.WriteFile(filepath.Join(r.dir, "problems.json"), append(b, '\n'), 0o644)
}

// table writes the problems for a spreadsheet.
func (r *refusedBundle) table() error {
	file, err := os.Create(filepath.Join(r.dir, "problems.csv"))
	if err != nil {
		return fmt.Errorf("refused rows: %w", err)
	}
	w := csv.NewWriter(file)
	w.UseCRLF = true
	_ = w.Write([]string{"line", "column", "found", "expected"})
	for _, p := range r.list {
		_ = w.Write([]string{strconv.Itoa(p.Line), intake.SpreadsheetCell(p.Column), intake.SpreadsheetCell(p.Found), intake.SpreadsheetCell(p.Expected)})
	}
	w.Flush()
	return errors.Join(w.Error(), file.Close())
}

func (r *refusedBundle) close() {
	if r != nil {
		_ = r.closeFiles()
	}
}
