//go:build long

package web_test

import (
	"io"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// TestTwoHundredTablets opens the Floor on 200 tablets over one server and has
// ten things changed: every tablet, asking again as the page's script does within
// half a second of being told, has the change before two seconds are over.
func TestTwoHundredTablets(t *testing.T) {
	const tablets, changes = 200, 10
	site := webtest.On(t, demoDB(t), func(c *web.Config) { c.Now = func() time.Time { return at } })
	amara, wei := site.As("amara", "operator"), site.As("wei", "operator")
	address, _ := served(t, site)
	time.Sleep(time.Second)
	seen := seenBy(amara)
	ears := make([]*ear, tablets)
	for i := range ears {
		ears[i] = hear(t, address, amara, seen)
	}
	time.Sleep(2 * time.Second)
	fetch := func() (string, error) {
		req, err := http.NewRequest("GET", address+"/floor", nil)
		if err != nil {
			return "", err
		}
		for _, k := range amara.Cookies() {
			req.AddCookie(k)
		}
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			return "", err
		}
		defer func() { _ = res.Body.Close() }()
		b, err := io.ReadAll(res.Body)
		return string(b), err
	}
	var took []time.Duration
	for i := range changes {
		for _, e := range ears {
			for len(e.told) > 0 {
				<-e.told
			}
		}
		reason := "change number " + string(rune('a'+i))
		began := time.Now()
		wei.Form("/upkeep/hold", with(opened(t, wei, "/upkeep/hold?printer=P-0"+string(rune('1'+i/5))+string(rune('0'+i%5*2))), "reason", reason))
		var wg sync.WaitGroup
		var mu sync.Mutex
		for k, e := range ears {
			wg.Go(func() {
				for range e.told {
					time.Sleep(time.Duration(k) * 500 * time.Millisecond / tablets)
					page, err := fetch()
					if err != nil {
						t.Error(err)
						return
					}
					if strings.Contains(page, reason) {
						mu.Lock()
						took = append(took, time.Since(began))
						mu.Unlock()
						return
					}
				}
			})
		}
		wg.Wait()
		time.Sleep(1500 * time.Millisecond)
	}
	slices.Sort(took)
	t.Logf("%d tablets, %d changes: seen after %s at the median, %s at the 99th of 100, %s at the latest", tablets, changes,
		took[len(took)/2].Round(time.Millisecond), took[len(took)*99/100].Round(time.Millisecond), took[len(took)-1].Round(time.Millisecond))
	if len(took) != tablets*changes || took[len(took)-1] > 2*time.Second {
		t.Errorf("%d of %d seen, the latest after %s; want all within 2 s", len(took), tablets*changes, took[len(took)-1])
	}
}
