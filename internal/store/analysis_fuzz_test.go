package store

import (
	"bytes"
	"testing"

	"basecourse/internal/farm"
)

// Whatever a message holds, fields end where it ends.
func FuzzCopyRows(f *testing.F) {
	row := append([]byte{0, 2, 0, 0, 0, 8}, 0, 0, 0, 0, 0, 0, 0, 9, 0xff, 0xff, 0xff, 0xff)
	f.Add(append(bytes.Clone(copyHeader), row...))
	f.Add(append(bytes.Clone(copyHeader), copyTrailer...))
	f.Add([]byte("PGCOPY"))
	f.Fuzz(func(t *testing.T, message []byte) {
		n := 0
		rows := &copyRows{take: func(r *copyRow) error {
			r.time()
			for !r.bad && len(r.rest) > 0 {
				n += 4 + len(r.next())
			}
			return nil
		}}
		if _, err := rows.Write(message); err == nil && n > len(message) {
			t.Errorf("%d bytes of fields out of %d", n, len(message))
		}
	})
}

// Marks read in place say what the reader of bundles makes of them.
func FuzzMarksInPlace(f *testing.F) {
	for _, s := range []string{"", "A1:nozzle_low:2 C3:nozzle_high:1", "B2:blobs:3 B2:dragged:1 A1:lifting:2", "A1:contamination:1 A2:debris:3 A3:other:2", "A1:", "::: :"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		var got StartLabel
		got.see([]byte(text))
		marks, bad, _ := farm.ParseMarks(text)
		if bad != "" || string(farm.AppendMarks(nil, marks)) != text {
			return // not as stored
		}
		var want StartLabel
		for _, m := range marks {
			group := &want.Else
			switch m.Mark {
			case "nozzle_low", "nozzle_high":
				group = &want.Height
			case "blobs", "dragged", "lifting":
				group = &want.Grip
			case "contamination":
				group = &want.Dirt
			}
			*group = max(*group, m.Severity)
			for k, name := range farm.Marks {
				if name == m.Mark {
					want.Marks |= 1 << k
				}
			}
		}
		if got != want {
			t.Errorf("%q: got %+v, want %+v", text, got, want)
		}
	})
}
