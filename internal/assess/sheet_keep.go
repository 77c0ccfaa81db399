package assess

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
)

// How often it is looked for sheets to be worked out, and how long what was being
// written when one was asked for is given to be seen.
const (
	sheetsEvery  = 2 * time.Second
	sheetsSettle = 2 * time.Second
)

// RunSheets works out the evidence sheets that are wanted until ctx ends.
func (a *Assessor) RunSheets(ctx context.Context) {
	a.sheets.Add(1)
	defer a.sheets.Add(-1)
	for ctx.Err() == nil {
		// What goes wrong stands with the sheet, and is tried again.
		if n, err := a.KeepSheets(ctx, sheetsSettle); err == nil && n > 0 {
			continue
		}
		select {
		case <-ctx.Done():
		case <-time.After(sheetsEvery):
		}
	}
}

// WorksSheets tells whether this process works sheets out.
func (a *Assessor) WorksSheets() bool { return a.sheets.Load() > 0 }

// KeepSheets works out and records the sheets that are wanted of one state of the farm
// and tells how many it took; see store.TakeSheets.
func (a *Assessor) KeepSheets(ctx context.Context, settle time.Duration) (int, error) {
	wanted, err := a.store.TakeSheets(ctx, settle)
	if err != nil || len(wanted) == 0 {
		return 0, err
	}
	about := make([]About, len(wanted))
	for i, w := range wanted {
		about[i] = About{w.SubjectKind, w.Tag, w.Cause}
	}
	sheets, err := a.Sheets(ctx, wanted[0].At, wanted[0].KnownAt, about)
	if err != nil {
		for _, w := range wanted {
			if e := a.store.FailSheet(context.WithoutCancel(ctx), w.ID, "it could not be worked out", false); e != nil {
				return len(wanted), e
			}
		}
		return len(wanted), err
	}
	for i, w := range wanted {
		if sheets[i] == nil {
			if err := a.store.FailSheet(ctx, w.ID, "there was no such question", true); err != nil {
				return len(wanted), err
			}
			continue
		}
		text, err := sheets[i].JSON()
		if err == nil {
			err = a.store.KeepSheet(ctx, w, sheets[i].State, strconv.Itoa(DefinitionsVersion), text)
		}
		if err != nil {
			return len(wanted), err
		}
	}
	return len(wanted), nil
}

// Check is a kept sheet beside the same worked out anew from the records.
type Check struct {
	Same        bool
	Definitions bool   // their version is one that this program works by
	Records     bool   // what the fit rests on is the same
	Then, Now   string // versions of the definitions
	Differs     []Difference
	More        int // differences beyond those listed
}

// Difference is a place where the two differ.
type Difference struct{ Where, Kept, Now string }

const mostDifferences = 20

// CheckSheet works a kept sheet out anew, from its at and known_at and by the definitions it
// was kept by, and compares.
func (a *Assessor) CheckSheet(ctx context.Context, kept *farm.EvidenceSheet) (*Check, error) {
	version, err := strconv.Atoi(kept.Definitions)
	known := err == nil && version >= 1 && version <= DefinitionsVersion && strconv.Itoa(version) == kept.Definitions
	if !known {
		version = DefinitionsVersion
	}
	c := &Check{Then: kept.Definitions, Now: strconv.Itoa(version), Definitions: known}
	now, err := a.sheetBy(ctx, version, kept.At, kept.KnownAt, About{kept.SubjectKind, kept.Subject, kept.Cause})
	if fault.Is(err, fault.NotFound) {
		c.Differs = []Difference{{"sheet", "a question", "none: the thing has no start in the window and is not in service"}}
		return c, nil
	}
	if err != nil {
		return nil, err
	}
	text, err := now.JSON()
	if err != nil {
		return nil, err
	}
	c.Same = bytes.Equal(text, []byte(kept.Sheet))
	if c.Same {
		c.Records = true
		return c, nil
	}
	var was, is any
	if err := json.Unmarshal([]byte(kept.Sheet), &was); err != nil {
		c.Differs = []Difference{{"sheet", "text that is no JSON", "a sheet"}}
		return c, nil
	}
	_ = json.Unmarshal(text, &is)
	var all []Difference
	differences("", was, is, &all)
	c.Records = !slices.ContainsFunc(all, func(d Difference) bool { return d.Where == "farm.digest" })
	if len(all) > mostDifferences {
		c.More, all = len(all)-mostDifferences, all[:mostDifferences]
	}
	c.Differs = all
	return c, nil
}

// Says tells the outcome in one sentence.
func (c *Check) Says() string {
	switch {
	case c.Same && c.Then != strconv.Itoa(DefinitionsVersion):
		return fmt.Sprintf("Worked out anew from the records as they were known then, by definitions %s by which it was kept: the same to the byte.", c.Then)
	case c.Same:
		return "Worked out anew from the records as they were known then: the same to the byte."
	case !c.Definitions:
		return fmt.Sprintf("Worked out anew it differs: the sheet was kept by definitions %s, this program works by definitions %s.", c.Then, c.Now)
	case c.Records:
		return "Worked out anew it differs, although the definitions and what the fit rests on are the same: the sheet or the program was changed."
	}
	return "Worked out anew it differs: the records that say they were known then are no longer the same. Records brought in later that say they arrived before do that."
}

// differences lists where two values differ, in a fixed order.
func differences(where string, was, is any, out *[]Difference) {
	a, amap := was.(map[string]any)
	b, bmap := is.(map[string]any)
	if amap && bmap {
		keys := []string{}
		for k := range a {
			keys = append(keys, k)
		}
		for k := range b {
			if _, both := a[k]; !both {
				keys = append(keys, k)
			}
		}
		slices.Sort(keys)
		for _, k := range keys {
			at := k
			if where != "" {
				at = where + "." + k
			}
			differences(at, a[k], b[k], out)
		}
		return
	}
	x, alist := was.([]any)
	y, blist := is.([]any)
	if alist && blist {
		for i := range max(len(x), len(y)) {
			var p, q any
			if i < len(x) {
				p = x[i]
			}
			if i < len(y) {
				q = y[i]
			}
			differences(where+"["+strconv.Itoa(i)+"]", p, q, out)
		}
		return
	}
	p, _ := json.Marshal(was)
	q, _ := json.Marshal(is)
	if !bytes.Equal(p, q) {
		*out = append(*out, Difference{where, shortly(string(p)), shortly(string(q))})
	}
}

// shortly keeps the beginning of a text.
func shortly(s string) string {
	if r := []rune(s); len(r) > 80 {
		return string(r[:79]) + "…"
	}
	return s
}

// WantSheet asks for the sheet of a question as of now and as known now.
func (a *Assessor) WantSheet(ctx context.Context, w store.SheetWanted) error {
	w.At = a.store.Now().UTC().Truncate(time.Microsecond)
	w.KnownAt, w.Because = w.At, "asked"
	return a.store.WantSheet(ctx, w)
}
