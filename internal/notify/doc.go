// Package notify tells news: it looks at the farm for what has just turned
// (watch.go), and sends what waits in the queue of the database to webhooks
// (hook.go, guard.go) and by mail (mail.go). Every replica does both; the database
// sees to it that news is told once and a delivery is with one worker at a time.
package notify
