package web_test

import (
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"

	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/internal/webtest"

	"github.com/gofrs/uuid/v5"
)

// Where machines record in a crowd, the Floor may be of a moment ago, and then says so to
// its own script, which asks for the newest; what a person did stands on it at once.
func TestTheFloorBesideACrowd(t *testing.T) {
	site := hallSite(t, 4)
	manager := site.As("amara", "manager")
	machines := make([]*webtest.Client, 20)
	for i := range machines {
		machines[i] = site.WithToken(fmt.Sprintf("machine %d", i), "operator")
	}
	st := site.Store
	newest := func(r *http.Request) { r.Header.Set("Cache-Control", "no-cache") }
	seen := func(change ...func(*http.Request)) string {
		_, rest, _ := strings.Cut(manager.Do("GET", "/floor", "", "", change...).Body, "seen=")
		version, _, _ := strings.Cut(rest, `"`)
		return version
	}
	var before string
	for round := range 5 { // how many meet in a transaction is not certain
		before = seen(newest)
		answered := site.Server.PageFirst()
		var all sync.WaitGroup
		for i, m := range machines {
			all.Go(func() {
				body := fmt.Sprintf(`{"kind":"first_layer","id":%q,"printer":"P-%04d","started_at":%q,"grade":"failed"}`, uuid.Must(uuid.NewV7()), i%4+1, at.Format("2006-01-02T15:04:05Z"))
				if a := m.Do("POST", "/api/v1/records", "application/json", `{"records":[`+body+`]}`); a.Status != http.StatusOK {
					t.Errorf("%d: %s", a.Status, a.Body)
				}
			})
		}
		all.Go(answered)
		all.Wait()
		if site.Server.ManyRecord() {
			break
		} else if round == 4 {
			t.Skip("no crowd came about")
		}
	}
	version := func() string {
		v, err := st.DataVersion(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return v.String()
	}
	if got := seen(); got != before && site.Server.ManyRecord() {
		t.Errorf("beside a crowd: of %s, want that of a moment ago, %s", got, before)
	}
	if got := seen(newest); got != version() {
		t.Errorf("asked for the newest: of %s, want %s", got, version())
	}
	if r, err := st.Record(t.Context(), store.Act{Via: "page"}, intake.ParseRecord([]byte(fmt.Sprintf(`{"kind":"first_layer","id":%q,"printer":"P-0001","started_at":%q,"grade":"clean"}`, uuid.Must(uuid.NewV7()), at.Format("2006-01-02T15:04:05Z"))), "", at)); err != nil {
		t.Fatal(r, err)
	}
	if got := seen(); got != version() {
		t.Errorf("after a person recorded: of %s, want %s", got, version())
	}
}
