package assess

import (
	"fmt"
	"testing"
	"time"

	"basecourse/internal/store"
)

// Starts, swaps and services are counted up to each probe; a swap told by the
// fitting, the start and the probe is one.
func TestMeshRecordsCountWhatLiesBetween(t *testing.T) {
	at := func(h int) time.Time { return time.Date(2026, 3, 9, 6+h, 0, 0, 0, time.UTC) }
	probe := func(h int, plate string) store.MeshProbe {
		return store.MeshProbe{At: at(h), Plate: plate, Columns: 2, Rows: 2, HeightsMM: []float64{0, 0, 0, 0}}
	}
	records, since := meshRecords([]store.MeshProbe{probe(0, "L-1"), probe(3, "L-1"), probe(6, "L-2"), probe(9, "")}, []store.MeshEvent{
		{Kind: "first_layer", At: at(1), Plate: "L-1"}, {Kind: "first_layer", At: at(2)},
		{Kind: "fitting", At: at(4), Plate: "L-2"}, {Kind: "first_layer", At: at(5), Plate: "L-2", Side: "a"},
		{Kind: "service", At: at(7)}, {Kind: "first_layer", At: at(8), Plate: "L-2", Side: "b"}, {Kind: "first_layer", At: at(10)}})
	got := ""
	for _, r := range records {
		got += fmt.Sprintf("%g h %d/%d/%d; ", r.Hours, r.Starts, r.Swaps, r.Services)
	}
	if want := "0 h 0/0/0; 3 h 2/0/0; 6 h 3/1/0; 9 h 4/2/1; "; got != want || since != 1 {
		t.Errorf("got %s since %d, want %s since 1", got, since, want)
	}
}
