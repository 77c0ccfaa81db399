package store_test

import (
	"context"
	"slices"
	"testing"
)

// The tests' own cluster is fast and not durable, and a store says so; its own
// connections commit durably whatever the server's standard is.
func TestAServerThatIsNotDurableIsNamed(t *testing.T) {
	list, err := open(t).NotDurable(context.Background())
	if err != nil || !slices.Equal(list, []string{"fsync", "full_page_writes"}) {
		t.Errorf("got %v %v", list, err)
	}
}
