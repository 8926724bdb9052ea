"""Small numbers of patients kept from readers outside: what is hidden, and an attack that tries to work it out again."""
