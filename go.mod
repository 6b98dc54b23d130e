module sparkscope

go 1.26
