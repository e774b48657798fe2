/* A slave of libmodbus on a serial port: registers that a caller names, until it is ended.
 *
 * usage: libmodbus_slave PORT ADDRESS TABLE:START:WORD,WORD,... [...]
 * TABLE is coil, discrete, holding or input; words are decimal. Prints "ready" when it listens. */
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { SIZE = 1000 };

int main(int argc, char **argv) {
    if (argc < 3) return 2;
    modbus_t *line = modbus_new_rtu(argv[1], 19200, 'N', 8, 1);
    modbus_mapping_t *map = modbus_mapping_new(SIZE, SIZE, SIZE, SIZE);
    if (!line || !map || modbus_set_slave(line, atoi(argv[2])) || modbus_connect(line)) return 2;
    for (int i = 3; i < argc; i++) {
        char *table = strtok(argv[i], ":");
        int at = atoi(strtok(NULL, ":"));
        for (char *word = strtok(NULL, ","); word && at < SIZE; word = strtok(NULL, ","), at++) {
            int value = atoi(word);
            if (!strcmp(table, "coil")) map->tab_bits[at] = value != 0;
            if (!strcmp(table, "discrete")) map->tab_input_bits[at] = value != 0;
            if (!strcmp(table, "holding")) map->tab_registers[at] = value;
            if (!strcmp(table, "input")) map->tab_input_registers[at] = value;
        }
    }
    puts("ready");
    fflush(stdout);
    for (;;) {
        uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
        int length = modbus_receive(line, query);
        if (length > 0) modbus_reply(line, query, length, map);
    }
}
