"""A long run watched from outside: does it keep its memory, its files, its threads and its pace?"""
