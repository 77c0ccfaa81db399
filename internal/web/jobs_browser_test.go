package web_test

import (
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/webtest"
)

func TestAJobInTheBrowserIsAccessibleAndFits(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	site := demoSite(t)
	amara := site.As("amara", "manager")
	job := strings.TrimPrefix(openJob(t, amara), site.URL)
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			for name, path := range map[string]string{"job": job, "job-wrong": job + "?size_x_mm=much", "jobs": "/jobs"} {
				tab.Open(path)
				tab.Fits()
				tab.Accessible()
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, name+"-"+v.Name+".png"), true)
				}
			}
		})
	}
}
