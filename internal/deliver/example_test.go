package deliver_test

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dewline/internal/deliver"
	"dewline/internal/test/memoryqueue"
)

// printer is a transport to a peer that acknowledges everything but the first item of its first connection.
type printer struct {
	connections int
	stop        context.CancelFunc // called after the last item
}

func (p *printer) Open(context.Context) (deliver.Conn, error) {
	p.connections++
	return &printed{printer: p, connection: p.connections, done: make(chan struct{})}, nil
}

type printed struct {
	*printer
	connection int
	done       chan struct{}
}

func (c *printed) Send(_ context.Context, item deliver.Item) (deliver.Ack, error) {
	if c.connection == 1 {
		return nil, errors.New("the peer has hung up")
	}
	fmt.Printf("connection %d: %s %s\n", c.connection, item.Event, item.Body)
	if item.Event == "run-1-2" {
		c.stop()
	}
	return acknowledged{}, nil
}

func (c *printed) Done() <-chan struct{} { return c.done }

func (c *printed) Drop(error) { close(c.done) }

type acknowledged struct{}

func (acknowledged) Done() <-chan struct{} {
	done := make(chan struct{})
	close(done)
	return done
}

func (acknowledged) Err() error { return nil }

// A worker empties a queue in order. What a connection has not acknowledged goes out again on the next one, with the same identity.
func ExampleWorker() {
	queue := memoryqueue.New(0, 0, 0)
	for i, text := range []string{"tub 1 is too warm", "tub 1 is back in range"} {
		item := deliver.Item{Event: fmt.Sprintf("run-1-%d", i+1), Class: deliver.Alarm, Body: []byte(text)}
		if err := queue.Add(item); err != nil {
			fmt.Println(err)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	peer := &printer{stop: cancel}
	worker := deliver.NewWorker(deliver.WorkerOptions{Queue: queue, Transport: peer, Random: func() float64 { return 0 }})
	worker.Run(ctx)
	fmt.Println("delivered:", worker.Stats().Sent)
	// Output:
	// connection 2: run-1-1 tub 1 is too warm
	// connection 2: run-1-2 tub 1 is back in range
	// delivered: 2
}

func ExampleTopics_DecodeCommand() {
	topics, err := deliver.NewTopics("dewline/north-loft")
	if err != nil {
		fmt.Println(err)
		return
	}
	command, err := topics.DecodeCommand("dewline/north-loft/command/shelve",
		[]byte(`{"alarm": "tub-1/water-temperature/high", "for": "30m", "reason": "lid open", "by": "keeper"}`), false, time.UTC, time.Now())
	fmt.Println(command.Verb, command.Alarm, command.For, command.By, err)
	_, err = topics.DecodeCommand("dewline/north-loft/command/shelve", []byte(`{"alarm": "tub-1/water-temperature/high"}`), true, time.UTC, time.Now())
	fmt.Println(err)
	// Output:
	// shelve tub-1/water-temperature/high 30m0s keeper via mqtt <nil>
	// a retained command is refused: it would be carried out again at every start; publish it without retain
}
