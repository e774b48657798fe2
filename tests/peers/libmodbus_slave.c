/* A slave of libmodbus: registers that a caller names, until it is ended.
 *
 * usage: libmodbus_slave PORT ADDRESS TABLE:START:WORD,WORD,... [...]
 * PORT is a serial port, or tcp:NUMBER, a port of this machine's own where Modbus TCP is spoken to one master at a time.
 * TABLE is coil, discrete, holding or input; words are decimal. Prints "ready" when it listens. Lines of standard input, in
 * the same form, change registers while it runs. */
#include <modbus.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { SIZE = 1000, LINE = 4096 };

static void set(modbus_mapping_t *map, char *stretch) {
    char *table = strtok(stretch, ":");
    char *start = strtok(NULL, ":");
    if (!table || !start) return;
    int at = atoi(start);
    for (char *word = strtok(NULL, ","); word && at < SIZE; word = strtok(NULL, ","), at++) {
        int value = atoi(word);
        if (!strcmp(table, "coil")) map->tab_bits[at] = value != 0;
        if (!strcmp(table, "discrete")) map->tab_input_bits[at] = value != 0;
        if (!strcmp(table, "holding")) map->tab_registers[at] = value;
        if (!strcmp(table, "input")) map->tab_input_registers[at] = value;
    }
}

/* Takes what has come from standard input, by whole lines; 0 at its end. */
static int take_lines(modbus_mapping_t *map) {
    static char text[LINE];
    static size_t length;
    ssize_t count = read(STDIN_FILENO, text + length, LINE - 1 - length);
    if (count <= 0) return 0;
    length += (size_t)count;
    text[length] = 0;
    for (char *end; (end = strchr(text, '\n'));) {
        *end = 0;
        size_t taken = (size_t)(end - text) + 1;
        set(map, text);
        length -= taken;
        memmove(text, text + taken, length + 1);
    }
    return 1;
}

/* Modbus TCP, one connection after the other. */
static int serve_tcp(const char *number, modbus_mapping_t *map) {
    modbus_t *line = modbus_new_tcp("127.0.0.1", atoi(number));
    int listener = line ? modbus_tcp_listen(line, 1) : -1;
    if (listener < 0) return 2;
    puts("ready");
    fflush(stdout);
    for (;;) {
        if (modbus_tcp_accept(line, &listener) < 0) return 2;
        uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
        for (int length; (length = modbus_receive(line, query)) >= 0;)
            if (length > 0) modbus_reply(line, query, length, map);
        modbus_close(line);
    }
}

int main(int argc, char **argv) {
    if (argc < 3) return 2;
    modbus_mapping_t *map = modbus_mapping_new(SIZE, SIZE, SIZE, SIZE);
    if (!map) return 2;
    if (!strncmp(argv[1], "tcp:", 4)) {
        for (int i = 3; i < argc; i++) set(map, argv[i]);
        return serve_tcp(argv[1] + 4, map);
    }
    modbus_t *line = modbus_new_rtu(argv[1], 19200, 'N', 8, 1);
    if (!line || modbus_set_slave(line, atoi(argv[2])) || modbus_connect(line)) return 2;
    for (int i = 3; i < argc; i++) set(map, argv[i]);
    puts("ready");
    fflush(stdout);
    struct pollfd heard[2] = {{.fd = modbus_get_socket(line), .events = POLLIN}, {.fd = STDIN_FILENO, .events = POLLIN}};
    for (;;) {
        if (poll(heard, 2, -1) < 0) return 2;
        /* At its end standard input would be ready for ever. */
        if (heard[1].revents && !take_lines(map)) heard[1].fd = -1;
        if (!heard[0].revents) continue;
        uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
        int length = modbus_receive(line, query);
        if (length > 0) modbus_reply(line, query, length, map);
    }
}
