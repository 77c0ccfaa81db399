package upkeep

import (
	"slices"
	"testing"
)

func TestTasksComeByWhatTheirPrinterSavesAMinute(t *testing.T) {
	item := func(printer string, task Task, saves, minutes float64) Item {
		return Item{Due: Due{Task: task, Saves: saves, Effort: Effort{Person: minutes}}, Printer: printer}
	}
	list := []Item{item("P-1", Probe, 1, 1), item("P-2", Probe, 3, 1), item("P-3", Wash, 1, 5), item("P-1", Wipe, 2, 1), item("P-2", Wipe, 1, 1), item("P-0", Probe, 1.5, 1)}
	Arrange(list)
	var got []string
	for _, x := range list {
		got = append(got, x.Printer+" "+string(x.Task))
	}
	// 4 of 2 minutes, twice 1.5 of 1, 1 of 5; cleaning before probing.
	want := []string{"P-2 wipe", "P-2 probe", "P-0 probe", "P-1 wipe", "P-1 probe", "P-3 wash"}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}
