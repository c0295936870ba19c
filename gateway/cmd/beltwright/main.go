// Command beltwright is the whole program: the server with everything in one
// process, the gateway alone, and the commands of the three desks.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"beltwright.example/gateway/cli"
	"beltwright.example/services/platform/logs"
)

func main() {
	logs.TakeOver(os.Stderr, os.Getenv(logs.LevelVariable))
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := cli.Main(ctx, os.Args[1:], cli.Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr})
	stop()
	os.Exit(code)
}
