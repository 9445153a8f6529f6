package main

import (
	"log/slog"

	"strandline.example/strandline/internal/telemetry"
)

// logger returns the logger of the services: to standard error, at the level of the settings or, without one, of the command.
func (a *app) logger(level string) *slog.Logger {
	if a.set.LogLevel != "" {
		level = a.set.LogLevel
	}
	if level == "off" {
		return slog.New(slog.DiscardHandler)
	}
	var l slog.Level
	if err := l.UnmarshalText([]byte(level)); err != nil {
		l = slog.LevelInfo
	}
	return telemetry.NewLogger(a.err, a.set.LogFormat == "json", l)
}
