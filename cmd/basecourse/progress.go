package main

import (
	"time"

	"github.com/schollz/progressbar/v3"

	"basecourse/internal/store"
)

// progress draws a bar on a terminal while something is read; anywhere else it
// stays silent. done removes the bar.
func (a *app) progress(what string) (show func(store.ImportProgress), done func()) {
	if !onTerminal(a.stderr) {
		return nil, func() {}
	}
	var bar *progressbar.ProgressBar
	show = func(p store.ImportProgress) {
		if bar == nil {
			bar = progressbar.NewOptions64(p.Total,
				progressbar.OptionSetWriter(a.stderr), progressbar.OptionSetDescription(what), progressbar.OptionShowBytes(true),
				progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish(), progressbar.OptionSetWidth(30))
		}
		bar.Describe(what + " " + p.File)
		bar.Set64(min(p.Done, p.Total)) // a bar that cannot be drawn is no reason to stop
	}
	return show, func() {
		if bar != nil {
			bar.Finish()
		}
	}
}
