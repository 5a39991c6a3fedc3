package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/nats-io/nats.go"

	"fadeledger/ingest/broker"
)

const (
	// tellAfter is how long a broker may take before it is told that it is
	// waited for.
	tellAfter = time.Second
	// databaseWait bounds one attempt to reach the database, databasePause is
	// the longest time between two.
	databaseWait  = 5 * time.Second
	databasePause = 5 * time.Second
)

// reachBroker connects to the broker and says where it is waited for. It waits
// until ctx ends.
func reachBroker(ctx context.Context, log *slog.Logger, servers, name string, options ...nats.Option) (*nats.Conn, error) {
	places := withoutPasswords(servers)
	waiting := time.AfterFunc(tellAfter, func() { log.Warn("waiting for the broker", "address", places) })
	defer waiting.Stop()
	nc, err := broker.Connect(ctx, servers, name, log, options...)
	switch {
	case err != nil && ctx.Err() != nil:
		return nil, fmt.Errorf("stopped while waiting for the broker at %s", places)
	case err != nil:
		return nil, fmt.Errorf("broker at %s: %w", places, err)
	}
	return nc, nil
}

// withoutPasswords writes the addresses of servers, with commas between, without
// user and password.
func withoutPasswords(servers string) string {
	list := strings.Split(servers, ",")
	for i, s := range list {
		s = strings.TrimSpace(s)
		u, err := url.Parse(s)
		if err != nil || u.Host == "" {
			// Behind the last @ there is no password.
			list[i] = s[strings.LastIndexByte(s, '@')+1:]
			continue
		}
		list[i] = u.Scheme + "://" + u.Host
	}
	return strings.Join(list, ",")
}

// reachDatabase waits until the database takes connections and says where it is
// waited for. What the database itself refuses, such as a wrong password, is an
// error at once.
func reachDatabase(ctx context.Context, log *slog.Logger, database string) error {
	cfg, err := pgx.ParseConfig(database)
	if err != nil {
		return fmt.Errorf("address of the database: %w; write it like postgres://user@host:5432/name", err)
	}
	place := net.JoinHostPort(cfg.Host, strconv.Itoa(int(cfg.Port))) + "/" + cfg.Database
	for pause := 200 * time.Millisecond; ; pause = min(2*pause, databasePause) {
		err := tryDatabase(ctx, cfg)
		switch {
		case err == nil:
			return nil
		case ctx.Err() != nil:
			return fmt.Errorf("stopped while waiting for the database at %s", place)
		case refusedForGood(err):
			return fmt.Errorf("database at %s: %w", place, err)
		}
		if pause == 200*time.Millisecond {
			log.Warn("waiting for the database", "address", place, "err", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
	}
}

func tryDatabase(ctx context.Context, cfg *pgx.ConnConfig) error {
	ctx, cancel := context.WithTimeout(ctx, databaseWait)
	defer cancel()
	conn, err := pgx.ConnectConfig(ctx, cfg)
	if err != nil {
		return err
	}
	return conn.Close(ctx)
}

// refusedForGood reports whether the database answered, and not just that it
// starts, stops or is full (classes 57 and 53 of SQLSTATE).
func refusedForGood(err error) bool {
	var answer *pgconn.PgError
	return errors.As(err, &answer) && !strings.HasPrefix(answer.Code, "57") && !strings.HasPrefix(answer.Code, "53")
}

// patiently tries again what a lost connection ended, until ctx ends.
func patiently(ctx context.Context, log *slog.Logger, what string, f func() error) error {
	for pause := 200 * time.Millisecond; ; pause = min(2*pause, databasePause) {
		err := f()
		if err == nil || ctx.Err() != nil || !passes(err) {
			return err
		}
		log.Warn(what+" is tried again", "err", err)
		select {
		case <-ctx.Done():
			return err
		case <-time.After(pause):
		}
	}
}

// passes reports whether an error is of a connection or of a server that starts
// or stops, and not of what was asked.
func passes(err error) bool {
	var answer *pgconn.PgError
	if errors.As(err, &answer) {
		return !refusedForGood(err) || strings.HasPrefix(answer.Code, "08")
	}
	var network net.Error
	return errors.As(err, &network) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, errBrokerAway) || errors.Is(err, nats.ErrTimeout) || errors.Is(err, nats.ErrNoResponders) ||
		errors.Is(err, nats.ErrDisconnected) || errors.Is(err, nats.ErrConnectionReconnecting) || errors.Is(err, context.DeadlineExceeded)
}

// errBrokerAway: the connection to the broker is lost at this moment.
var errBrokerAway = errors.New("the broker is not reached")
