package intake

import (
	"archive/zip"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
)

// Source is a bundle somewhere: a folder, a zip of one, or a farm in memory.
type Source interface {
	// Files lists the bundle's .csv files by name and size in bytes.
	Files() []SourceFile
	// Open opens one of them.
	Open(name string) (io.ReadCloser, error)
}

// SourceFile is one .csv file of a bundle.
type SourceFile struct {
	Name string
	Size int64 // bytes, unpacked; a zip may lie about it
}

// Limits bound an upload; zero is no limit.
type Limits struct {
	Unpacked int64 // bytes of all files of an archive
	Files    int   // entries of an archive
	File     int64 // bytes of one file
}

// UploadLimits are those of the upload page; the command has none.
var UploadLimits = Limits{Unpacked: 200 << 20, Files: 50, File: 50 << 20}

// OpenSource opens a folder or a .zip by its path; the caller closes it.
func OpenSource(name string) (Source, io.Closer, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, nil, fault.Wrap(fault.NotFound, err, "%s: there is no such folder or .zip", name)
	}
	if info.IsDir() {
		s, err := Folder(name)
		return s, io.NopCloser(nil), err
	}
	file, err := os.Open(name)
	if err != nil {
		return nil, nil, fault.Wrap(fault.NotFound, err, "%s cannot be opened", name)
	}
	s, err := Zip(file, info.Size(), Limits{})
	if err != nil {
		_ = file.Close()
		return nil, nil, err
	}
	return s, file, nil
}

type folder struct {
	path  string
	files []SourceFile
}

// Folder is a bundle in a folder.
func Folder(name string) (Source, error) {
	entries, err := os.ReadDir(name)
	if err != nil {
		return nil, fault.Wrap(fault.NotFound, err, "%s cannot be read", name)
	}
	f := &folder{path: name}
	for _, e := range entries {
		if !isCSV(e.Name()) {
			continue
		}
		info, err := os.Stat(filepath.Join(name, e.Name()))
		if err != nil {
			return nil, fault.Wrap(fault.NotFound, err, "%s cannot be read", e.Name())
		}
		if info.IsDir() {
			continue
		}
		f.files = append(f.files, SourceFile{e.Name(), info.Size()})
	}
	return f, nil
}

func (f *folder) Files() []SourceFile { return f.files }
func (f *folder) Open(name string) (io.ReadCloser, error) {
	return os.Open(filepath.Join(f.path, name))
}

// Pictures is a source that has the files of photos beside its tables.
type Pictures interface {
	// Picture opens the file of a photo by its digest; fs.ErrNotExist where there
	// is none.
	Picture(sha256 string) (io.ReadCloser, error)
}

// PictureName is where a photo's file stands in a bundle.
func PictureName(sha256 string) string { return "photos/" + sha256 + ".jpg" }

func (f *folder) Picture(sha256 string) (io.ReadCloser, error) {
	return os.Open(filepath.Join(f.path, filepath.FromSlash(PictureName(sha256))))
}

func isCSV(name string) bool { return strings.EqualFold(path.Ext(name), ".csv") }

type archive struct {
	entries map[string]*zip.File
	files   []SourceFile
	limits  Limits
	left    int64 // bytes that may still be unpacked

	folder   string
	pictures map[string]*zip.File // by whole name
}

// Zip is a bundle in a .zip: its .csv files lie in one folder of it. An archive
// beyond the limits, with an entry that points outside it, or with .csv files
// in several folders is refused.
func Zip(r io.ReaderAt, size int64, limits Limits) (Source, error) {
	z, err := zip.NewReader(r, size)
	if err != nil && !errors.Is(err, zip.ErrInsecurePath) {
		return nil, fault.Wrap(fault.Invalid, err, "this is no readable .zip")
	}
	if limits.Files > 0 && len(z.File) > limits.Files {
		return nil, fault.New(fault.TooLarge, "the .zip has %d entries and at most %d may come in: take out what is not part of the bundle", len(z.File), limits.Files)
	}
	a := &archive{entries: map[string]*zip.File{}, pictures: map[string]*zip.File{}, limits: limits, left: limits.Unpacked}
	folder, sum := "", uint64(0)
	for _, f := range z.File {
		if !filepath.IsLocal(f.Name) || strings.Contains(f.Name, `\`) || slices.Contains(strings.Split(f.Name, "/"), "..") {
			return nil, fault.At(fault.Problem{File: fault.Shorten(strings.ToValidUTF8(f.Name, "\uFFFD")), Found: fault.Shorten(strings.ToValidUTF8(f.Name, "\uFFFD")), Expected: "names inside the archive"})
		}
		dir, base := path.Split(f.Name)
		if strings.EqualFold(path.Ext(base), ".jpg") {
			a.pictures[f.Name] = f
		}
		// Some systems add a shadow of each file; those are no bundle files.
		if !isCSV(base) || strings.HasPrefix(base, "._") || f.FileInfo().IsDir() {
			continue
		}
		switch {
		case len(a.entries) == 0:
			folder = dir
		case dir != folder:
			return nil, fault.At(fault.Problem{File: f.Name, Found: f.Name, Expected: "all .csv files in one folder of the .zip"})
		}
		if a.entries[base] != nil {
			return nil, fault.At(fault.Problem{File: base, Found: base + " a second time", Expected: "each file once"})
		}
		size := f.UncompressedSize64
		if over(limits.File, size) {
			return nil, fault.New(fault.TooLarge, "%s unpacks to more than %d MB", base, limits.File>>20)
		}
		// What it says of itself is refused before anything is unpacked; what comes out is
		// counted all the same.
		if sum += min(size, 1<<40); over(limits.Unpacked, sum) {
			return nil, fault.New(fault.TooLarge, "the .zip unpacks to more than %d MB", limits.Unpacked>>20)
		}
		a.entries[base] = f
		a.files = append(a.files, SourceFile{base, int64(min(size, 1<<40))})
	}
	a.folder = folder
	return a, nil
}

func (a *archive) Picture(sha256 string) (io.ReadCloser, error) {
	f := a.pictures[a.folder+PictureName(sha256)]
	if f == nil {
		return nil, os.ErrNotExist
	}
	r, err := f.Open()
	if err != nil {
		return nil, fault.Wrap(fault.Invalid, err, "%s in the .zip cannot be unpacked", f.Name)
	}
	return &unpacking{ReadCloser: r, archive: a, name: f.Name, left: a.limits.File}, nil
}

func over(limit int64, size uint64) bool { return limit > 0 && size > uint64(limit) }

func (a *archive) Files() []SourceFile { return a.files }

func (a *archive) Open(name string) (io.ReadCloser, error) {
	f := a.entries[name]
	if f == nil {
		return nil, os.ErrNotExist
	}
	r, err := f.Open()
	if err != nil {
		return nil, fault.Wrap(fault.Invalid, err, "%s in the .zip cannot be unpacked", name)
	}
	return &unpacking{ReadCloser: r, archive: a, name: name, left: a.limits.File}, nil
}

// unpacking counts what really comes out, whatever the archive says of itself.
type unpacking struct {
	io.ReadCloser
	archive *archive
	name    string
	left    int64
}

func (u *unpacking) Read(p []byte) (int, error) {
	n, err := u.ReadCloser.Read(p)
	u.left -= int64(n)
	u.archive.left -= int64(n)
	switch {
	case u.archive.limits.File > 0 && u.left < 0:
		return 0, fault.New(fault.TooLarge, "%s unpacks to more than %d MB", u.name, u.archive.limits.File>>20)
	case u.archive.limits.Unpacked > 0 && u.archive.left < 0:
		return 0, fault.New(fault.TooLarge, "the .zip unpacks to more than %d MB", u.archive.limits.Unpacked>>20)
	case err != nil && !errors.Is(err, io.EOF):
		return n, fault.Wrap(fault.Invalid, err, "%s in the .zip is damaged", u.name)
	}
	return n, err
}

type memory struct{ bundle *farm.Bundle }

// Memory is a farm in memory as a bundle: it goes the same way in as one on
// disk.
func Memory(b *farm.Bundle) Source { return memory{b} }

func (m memory) records(t *Table) []any {
	b := m.bundle
	switch t.Kind {
	case farm.KindPrinter:
		return pointers(b.Printers)
	case farm.KindScrew:
		return pointers(b.Screws)
	case farm.KindPlate:
		return pointers(b.Plates)
	case farm.KindMaterial:
		return pointers(b.Materials)
	case farm.KindPerson:
		return pointers(b.People)
	case farm.KindJob:
		return pointers(b.Jobs)
	case farm.KindShift:
		return pointers(b.Shifts)
	case farm.KindInstrument:
		return pointers(b.Instruments)
	case farm.KindSetting:
		return pointers(b.Settings)
	case farm.KindMapping:
		return pointers(b.Mappings)
	case farm.KindFirstLayer:
		return pointers(b.FirstLayers)
	case farm.KindCleaning:
		return pointers(b.Cleanings)
	case farm.KindProbe:
		return pointers(b.Probes)
	case farm.KindProbeSkipped:
		return pointers(b.ProbesSkipped)
	case farm.KindOffsetChange:
		return pointers(b.OffsetChanges)
	case farm.KindService:
		return pointers(b.Services)
	case farm.KindFitting:
		return pointers(b.Fittings)
	case farm.KindPlateState:
		return pointers(b.PlateStates)
	case farm.KindHold:
		return pointers(b.Holds)
	case farm.KindDisagreement:
		return pointers(b.Disagreements)
	case farm.KindAdviceDone:
		return pointers(b.AdviceDone)
	case farm.KindTaskSkipped:
		return pointers(b.TasksSkipped)
	case farm.KindCaseStep:
		return pointers(b.CaseSteps)
	case farm.KindPlannedTest:
		return pointers(b.PlannedTests)
	case farm.KindPhoto:
		return pointers(b.Photos)
	case farm.KindPolicy:
		return pointers(b.Policies)
	case farm.KindHandover:
		return pointers(b.Handovers)
	case farm.KindHandoverEntry:
		return pointers(b.Entries)
	case farm.KindJobForecast:
		return pointers(b.JobForecasts)
	case farm.KindEvidenceSheet:
		return pointers(b.Sheets)
	case farm.KindRegrade:
		return pointers(b.Regrades)
	case farm.KindPracticeItem:
		return pointers(b.PracticeItems)
	case farm.KindQualification:
		return pointers(b.Qualifications)
	case farm.KindDraw:
		return pointers(b.Draws)
	}
	return nil
}

func pointers[T any](list []T) []any {
	out := make([]any, len(list))
	for i := range list {
		out[i] = &list[i]
	}
	return out
}

func (m memory) Files() []SourceFile {
	var files []SourceFile
	for _, t := range Tables {
		if n := len(m.records(t)); n > 0 || t.Kind == farm.KindPrinter || t.Kind == farm.KindPlate {
			files = append(files, SourceFile{t.File, int64(n) * 100})
		}
	}
	return files
}

func (m memory) Open(name string) (io.ReadCloser, error) {
	t := tableOfFile(name)
	if t == nil {
		return nil, os.ErrNotExist
	}
	return io.NopCloser(&lister{table: t, records: m.records(t), rest: []byte(t.HeaderLine())}), nil
}

// lister writes records as the file they would be, a few at a time.
type lister struct {
	table   *Table
	records []any
	rest    []byte
	buf     []byte
}

func (l *lister) Read(p []byte) (int, error) {
	if len(l.rest) == 0 {
		if len(l.records) == 0 {
			return 0, io.EOF
		}
		l.buf = l.buf[:0]
		n := min(len(l.records), 64)
		for _, rec := range l.records[:n] {
			l.buf = l.table.AppendRecord(l.buf, rec)
		}
		l.records, l.rest = l.records[n:], l.buf
	}
	n := copy(p, l.rest)
	l.rest = l.rest[n:]
	return n, nil
}

// AppendRecord writes a record as a line of its file, with every column.
func (t *Table) AppendRecord(b []byte, rec any) []byte {
	var scratch [512]byte
	for i := range t.Fields {
		if i > 0 {
			b = append(b, ',')
		}
		b = AppendCell(b, t.Fields[i].Append(scratch[:0], rec))
	}
	return append(b, '\r', '\n')
}

// WriteFolder writes a farm in memory as a bundle in a folder, which must
// exist.
func WriteFolder(dir string, b *farm.Bundle) error {
	source := Memory(b)
	for _, f := range source.Files() {
		r, err := source.Open(f.Name)
		if err != nil {
			return err
		}
		w, err := os.Create(filepath.Join(dir, f.Name))
		if err != nil {
			return fmt.Errorf("intake.WriteFolder: %w", err)
		}
		if _, err := io.Copy(w, r); err != nil {
			_ = w.Close()
			return fmt.Errorf("intake.WriteFolder: %w", err)
		}
		if err := w.Close(); err != nil {
			return fmt.Errorf("intake.WriteFolder: %w", err)
		}
	}
	return nil
}

// Arrange sorts a source's files into the order in which they are read, and
// says what is wrong with the list: unknown .csv names, missing required files.
func Arrange(s Source) (tables []*Table, sizes []int64, problems []fault.Problem) {
	if l, ok := s.(*Log); ok {
		return []*Table{l.Mapping.Table()}, []int64{l.Size}, nil
	}
	sizeOf := map[string]int64{}
	for _, f := range s.Files() {
		sizeOf[f.Name] = f.Size
		if tableOfFile(f.Name) == nil {
			names := make([]string, len(Tables))
			for i, t := range Tables {
				names[i] = t.File
			}
			problems = append(problems, fault.Problem{File: f.Name, Found: f.Name, Expected: "one of the bundle's files: " + strings.Join(names, " ")})
		}
	}
	for _, t := range Tables {
		size, there := sizeOf[t.File]
		switch {
		case there:
			tables, sizes = append(tables, t), append(sizes, size)
		case t.Kind == farm.KindPrinter, t.Kind == farm.KindPlate:
			problems = append(problems, fault.Problem{File: t.File, Found: "", Expected: "the file " + t.File + ", which every bundle has"})
		}
	}
	return tables, sizes, problems
}
