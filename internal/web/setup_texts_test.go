package web_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"
)

// greasy is a layer low everywhere of a material on a degreased plate of the farm.
func greasy(id, material string, minutes int) string {
	var marks []string
	for _, z := range strings.Fields("A1 B1 C1 A2 B2 C2 A3 B3 C3") {
		marks = append(marks, z+":nozzle_low:1")
	}
	return layer(id, minutes, graded("cosmetic")+`,"material":"`+material+`","marks":"`+strings.Join(marks, " ")+`"`)
}

func TestTheOverBondingTableIsTheFarms(t *testing.T) {
	site := handSite(t)
	manager, operator := site.As("jonas", "manager"), site.As("amara", "operator")
	sent(t, site, greasy("G-1", "ASA", 60))
	path := "/first-layers/" + startID(t, "G-1")
	coats := func() bool {
		return strings.Contains(operator.Get(path).Body, "Put a release layer on plate L-1")
	}
	if coats() {
		t.Fatal("ASA over-bonds on L-1, of glass, before the farm said so")
	}
	const page = "/setup/over-bonding"
	form := formOf(manager.Page(page), page, "")
	if form.Get("pei_smooth") != "PETG TPU PC" || form.Get("pei_textured") != "" {
		t.Fatalf("the form begins with %v", form)
	}
	stale := formOf(manager.Page(page), page, "")
	form.Set("glass", "petg, asa")
	form.Set("pei_smooth", "")
	if a := manager.Form(page, form); a.Status != 303 {
		t.Fatalf("got %d: %s", a.Status, a.Body)
	}
	values, err := site.Store.Settings(context.Background())
	if err != nil || values.Text("over_bonding") != "ASA:glass PETG:glass" {
		t.Errorf("stored %q, %v", values.Text("over_bonding"), err)
	}
	if !coats() {
		t.Error("the first layer's page does not go by the farm's table")
	}
	stale.Set("garolite", "ABS")
	if a := manager.Form(page, stale); a.Status != 409 || !strings.Contains(a.Body, "Somebody else saved meanwhile") || !strings.Contains(a.Body, `value="ABS"`) {
		t.Errorf("a form of before: got %d", a.Status)
	}
	form = formOf(manager.Page(page), page, "")
	form.Set("glass", "PETG4")
	if a := manager.Form(page, form); a.Status != 422 || !strings.Contains(a.Body, "a polymer’s leading letters") || !strings.Contains(a.Body, `value="PETG4"`) {
		t.Errorf("nonsense: got %d", a.Status)
	}
	if got := plain(manager.Page(page).Text("main")); !strings.Contains(got, "jonas Over-bonding PETG on PEI, smooth and glass; TPU on PEI, smooth and glass; PC on PEI, smooth and glass ASA on glass; PETG on glass") {
		t.Errorf("changes: %q", got)
	}
	if a := manager.Form(page, formOf(manager.Page(page), page, "back")); a.Status != 303 || coats() {
		t.Errorf("taking it back: got %d", a.Status)
	}
	form = formOf(manager.Page(page), page, "")
	for _, name := range []string{"pei_textured", "pei_smooth", "glass", "garolite", "polypropylene", "other"} {
		form.Set(name, "")
	}
	if a := manager.Form(page, form); a.Status != 303 {
		t.Fatalf("none: got %d", a.Status)
	}
	if values, err = site.Store.Settings(context.Background()); err != nil || values.Text("over_bonding") != "none" {
		t.Errorf("none: %q, %v", values.Text("over_bonding"), err)
	}
	if a := manager.Form(page, formOf(manager.Page(page), page, "standard")); a.Status != 303 {
		t.Errorf("back to the standard: got %d", a.Status)
	}
	if got := formOf(manager.Page(page), page, ""); got.Get("glass") != "PETG TPU PC" {
		t.Errorf("after going back to the standard: %v", got)
	}
	if a := operator.Get(page); a.Status != 403 {
		t.Errorf("an operator: got %d, want 403", a.Status)
	}
}

func TestCautionsAreTheFarms(t *testing.T) {
	site := handSite(t)
	manager, operator := site.As("jonas", "manager"), site.As("amara", "operator")
	sent(t, site, layer("B-1", 180, graded("failed")+`,"marks":"A1:contamination:2 B2:lifting:2 A1:lifting:2"`))
	path, page := "/first-layers/"+startID(t, "B-1"), "/setup/cautions"
	form := formOf(manager.Page(page), page, "")
	form.Set("safety_hot", "Wait for the\n green lamp, then <gloves> on.")
	if a := manager.Form(page, form); a.Status != 303 {
		t.Fatalf("got %d: %s", a.Status, a.Body)
	}
	if got := plain(operator.Page(path).Text(".safety")); !strings.Contains(got, "Wait for the green lamp, then <gloves> on. Local rules and the maker’s instructions come first.") || strings.Contains(got, "40 °C") {
		t.Errorf("the card says %q", got)
	}
	form = formOf(manager.Page(page), page, "")
	form.Set("safety_motion", "Careful")
	if a := manager.Form(page, form); a.Status != 422 || !strings.Contains(a.Body, "Moving parts: found 7 characters") {
		t.Errorf("too short: got %d", a.Status)
	}
	if a := manager.Form(page, formOf(manager.Page(page), page, "standard")); a.Status != 303 {
		t.Errorf("back to the standard: got %d", a.Status)
	}
	if got := plain(operator.Page(path).Text(".safety")); !strings.Contains(got, "40 °C") {
		t.Errorf("after going back to the standard: %q", got)
	}
}

// What became of layers that were let run comes back as the word about the next.
func TestTheFarmsOutcomesMoveTheWord(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	const dragged = `,"marks":"A1:dragged:2 B1:dragged:2 C1:dragged:2 A2:dragged:2 B2:dragged:2 C2:dragged:2 A3:dragged:2 B3:dragged:2"`
	sent(t, site, layer("NOW", 20, graded("marginal")+dragged))
	path := "/first-layers/" + startID(t, "NOW")
	says := func() string { return plain(c.Page(path).Text("[data-now]")) }
	if got := says(); got != "This layer: Stop this print." {
		t.Fatalf("at first: %q", got)
	}
	record := func(from, to int, outcome string) {
		var all []string
		for i := from; i < to; i++ {
			when := at.Add(-time.Duration(48+i) * time.Hour)
			all = append(all, fmt.Sprintf(`{"kind":"first_layer","id":"D-%d","printer":"P-2","started_at":"%s","grade":"marginal","grader":"amara","decision":"let_run","outcome":"%s"%s}`, i, when.Format(time.RFC3339), outcome, dragged))
		}
		sent(t, site, all...)
	}
	record(0, 1, "finished")
	if got := says(); got != "This layer: Stop this print." {
		t.Errorf("after one that held: %q", got)
	}
	record(1, 30, "finished")
	if got := says(); got != "This layer: Let it run." {
		t.Errorf("after thirty that held: %q", got)
	}
	record(30, 90, "detached")
	if got := says(); got != "This layer: Stop this print." {
		t.Errorf("after sixty that were lost: %q", got)
	}
}

func TestTheHeightBookOnTheAdviceCard(t *testing.T) {
	site := heightsSite(t)
	c := site.As("amara", "operator")
	var low []string
	for _, z := range strings.Fields("A1 B1 C1 A2 B2 C2 A3 B3 C3") {
		low = append(low, z+":nozzle_low:2")
	}
	sent(t, site, fmt.Sprintf(`{"kind":"first_layer","id":"NOW","printer":"P-2","plate":"L-2","plate_side":"a","started_at":"%s","grade":"marginal","grader":"amara","probed":"yes","marks":"%s"}`, at.Add(-20*time.Minute).Format(time.RFC3339), strings.Join(low, " ")))
	if got := plain(c.Page("/first-layers/" + startID(t, "NOW")).Text(".layer-advice")); !strings.Contains(got, "L-2 is 0.04 mm thicker than L-1 by the height book.") || !strings.Contains(got, "ozzle up 0.05 mm") {
		t.Errorf("the card says %q", got)
	}
}
